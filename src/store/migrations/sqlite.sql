-- The ledger: one row an entry, each with the hash over it and the hash before, and one row that names the newest.
CREATE TABLE ledger (
    seq INTEGER NOT NULL PRIMARY KEY,
    at_ms BIGINT NOT NULL,
    recorded_ms BIGINT NOT NULL,
    -- 1 report, 2 script, 3 shown, 4 begun, 5 aside, 6 release, 7 take, 8 end.
    kind SMALLINT NOT NULL,
    -- A byte 0 before a UUID, 1 before a digest, 2 before any other text.
    id BLOB NOT NULL,
    station TEXT NOT NULL,
    -- The number of a phrase book, then what src/store/packed.rs says.
    body BLOB NOT NULL,
    hash BLOB NOT NULL,
    UNIQUE (id, kind)
);
-- Text that the bodies of entries share.
CREATE TABLE ledger_books (
    number INTEGER NOT NULL PRIMARY KEY,
    text BLOB NOT NULL
);
CREATE TABLE ledger_head (
    one BIGINT NOT NULL PRIMARY KEY CHECK (one = 1),
    seq BIGINT NOT NULL,
    hash TEXT NOT NULL
);
INSERT INTO ledger_head (one, seq, hash)
VALUES (1, 0, '0000000000000000000000000000000000000000000000000000000000000000');
-- What the ledger proves under each name, packed. Derived, and made again where it does not fit.
CREATE TABLE folds (
    name TEXT NOT NULL PRIMARY KEY,
    body BLOB NOT NULL
);

-- Append-only, SQLite's way.
CREATE TRIGGER ledger_never_updated BEFORE UPDATE ON ledger
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER ledger_never_deleted BEFORE DELETE ON ledger
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER ledger_books_never_updated BEFORE UPDATE ON ledger_books
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER ledger_books_never_deleted BEFORE DELETE ON ledger_books
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER ledger_head_never_deleted BEFORE DELETE ON ledger_head
BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
