-- +goose Up
-- What belongs to an order is kept: floors of retention only block, and nothing here deletes.
-- +goose StatementBegin
CREATE TRIGGER work_orders_kept BEFORE DELETE ON work_orders BEGIN SELECT RAISE(ABORT, 'records of orders are kept'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER steps_kept BEFORE DELETE ON steps BEGIN SELECT RAISE(ABORT, 'records of orders are kept'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER wash_plans_kept BEFORE DELETE ON wash_plans BEGIN SELECT RAISE(ABORT, 'records of orders are kept'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER measurements_kept BEFORE DELETE ON measurements BEGIN SELECT RAISE(ABORT, 'records of orders are kept'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER motoring_runs_kept BEFORE DELETE ON motoring_runs BEGIN SELECT RAISE(ABORT, 'records of orders are kept'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER findings_kept BEFORE DELETE ON findings BEGIN SELECT RAISE(ABORT, 'records of orders are kept'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER labour_entries_kept BEFORE DELETE ON labour_entries BEGIN SELECT RAISE(ABORT, 'records of orders are kept'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER signatures_kept BEFORE DELETE ON signatures BEGIN SELECT RAISE(ABORT, 'records of orders are kept'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER attachments_kept BEFORE DELETE ON attachments BEGIN SELECT RAISE(ABORT, 'records of orders are kept'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER attachment_bytes_kept BEFORE DELETE ON attachment_bytes BEGIN SELECT RAISE(ABORT, 'records of orders are kept'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER older_revisions_kept BEFORE DELETE ON older_revisions BEGIN SELECT RAISE(ABORT, 'records of orders are kept'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER attachment_bytes_fixed BEFORE UPDATE ON attachment_bytes BEGIN SELECT RAISE(ABORT, 'what was attached is never changed'); END;
-- +goose StatementEnd
