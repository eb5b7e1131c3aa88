-- Append-only, PostgreSQL's way.
CREATE FUNCTION ledger_append_only() RETURNS trigger LANGUAGE plpgsql AS
$$ BEGIN RAISE EXCEPTION 'the ledger is append-only'; END $$;
CREATE TRIGGER ledger_never_changed BEFORE UPDATE OR DELETE OR TRUNCATE ON ledger
FOR EACH STATEMENT EXECUTE FUNCTION ledger_append_only();
CREATE TRIGGER ledger_head_never_deleted BEFORE DELETE OR TRUNCATE ON ledger_head
FOR EACH STATEMENT EXECUTE FUNCTION ledger_append_only();
