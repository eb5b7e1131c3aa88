-- Append-only, SQLite's way.
CREATE TRIGGER ledger_never_updated BEFORE UPDATE ON ledger
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER ledger_never_deleted BEFORE DELETE ON ledger
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER ledger_head_never_deleted BEFORE DELETE ON ledger_head
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
