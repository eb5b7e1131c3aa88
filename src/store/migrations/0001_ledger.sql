-- The ledger: one row an entry, each carrying the hash of the one before, and one row that names the newest.
CREATE TABLE ledger (
    seq BIGINT NOT NULL PRIMARY KEY,
    kind TEXT NOT NULL,
    id TEXT NOT NULL,
    station TEXT NOT NULL,
    at_ms BIGINT NOT NULL,
    recorded_ms BIGINT NOT NULL,
    body TEXT NOT NULL,
    prev TEXT NOT NULL,
    hash TEXT NOT NULL,
    UNIQUE (id, kind)
);
CREATE INDEX ledger_station ON ledger (station, seq);

CREATE TABLE ledger_head (
    one BIGINT NOT NULL PRIMARY KEY CHECK (one = 1),
    seq BIGINT NOT NULL,
    hash TEXT NOT NULL
);
INSERT INTO ledger_head (one, seq, hash)
VALUES (1, 0, '0000000000000000000000000000000000000000000000000000000000000000');
