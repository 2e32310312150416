-- +goose Up
-- 1 when the answer to a key is no longer kept. The key itself stays for ever, so that nothing is booked twice by a late repeat.
ALTER TABLE idempotency_keys ADD COLUMN spent INTEGER NOT NULL DEFAULT 0;
DROP INDEX idempotency_age;
CREATE INDEX idempotency_age ON idempotency_keys (spent, create_time);
