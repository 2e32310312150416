-- +goose Up
-- What belongs to an order is kept: floors of retention only block, and nothing here deletes.
-- +goose StatementBegin
CREATE FUNCTION records_kept() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'records of orders are kept'; END $$;
-- +goose StatementEnd
CREATE TRIGGER work_orders_kept BEFORE DELETE OR TRUNCATE ON work_orders FOR EACH STATEMENT EXECUTE FUNCTION records_kept();
CREATE TRIGGER steps_kept BEFORE DELETE OR TRUNCATE ON steps FOR EACH STATEMENT EXECUTE FUNCTION records_kept();
CREATE TRIGGER wash_plans_kept BEFORE DELETE OR TRUNCATE ON wash_plans FOR EACH STATEMENT EXECUTE FUNCTION records_kept();
CREATE TRIGGER measurements_kept BEFORE DELETE OR TRUNCATE ON measurements FOR EACH STATEMENT EXECUTE FUNCTION records_kept();
CREATE TRIGGER motoring_runs_kept BEFORE DELETE OR TRUNCATE ON motoring_runs FOR EACH STATEMENT EXECUTE FUNCTION records_kept();
CREATE TRIGGER findings_kept BEFORE DELETE OR TRUNCATE ON findings FOR EACH STATEMENT EXECUTE FUNCTION records_kept();
CREATE TRIGGER labour_entries_kept BEFORE DELETE OR TRUNCATE ON labour_entries FOR EACH STATEMENT EXECUTE FUNCTION records_kept();
CREATE TRIGGER signatures_kept BEFORE DELETE OR TRUNCATE ON signatures FOR EACH STATEMENT EXECUTE FUNCTION records_kept();
CREATE TRIGGER attachments_kept BEFORE DELETE OR TRUNCATE ON attachments FOR EACH STATEMENT EXECUTE FUNCTION records_kept();
CREATE TRIGGER attachment_bytes_kept BEFORE DELETE OR TRUNCATE ON attachment_bytes FOR EACH STATEMENT EXECUTE FUNCTION records_kept();
CREATE TRIGGER older_revisions_kept BEFORE DELETE OR TRUNCATE ON older_revisions FOR EACH STATEMENT EXECUTE FUNCTION records_kept();
CREATE TRIGGER attachment_bytes_fixed BEFORE UPDATE ON attachment_bytes FOR EACH STATEMENT EXECUTE FUNCTION records_kept();
