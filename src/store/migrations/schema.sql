-- The ledger is the database's own: bytes and small numbers have other names in each. Here is what both call the same.
CREATE INDEX ledger_station ON ledger (station, seq);
-- What people decided, among many reports.
CREATE INDEX ledger_decisions ON ledger (seq) WHERE kind >= 5;

-- Folds are derived: what the ledger up to this entry proves. They are believed only where the entry still has this hash.
CREATE TABLE folds_head (
    one BIGINT NOT NULL PRIMARY KEY CHECK (one = 1),
    form TEXT NOT NULL,
    seq BIGINT NOT NULL,
    hash TEXT NOT NULL
);

-- Which key the fingerprints of codes are made with: a value that tells keys apart and gives none away.
CREATE TABLE fingerprint_key (
    one BIGINT NOT NULL PRIMARY KEY CHECK (one = 1),
    check_value TEXT NOT NULL
);

-- What passes keep: reports rejected, dropped files that were read, cases, messages to deliver, the last good inventory.
CREATE TABLE counters (
    name TEXT NOT NULL PRIMARY KEY,
    value BIGINT NOT NULL
);
INSERT INTO counters (name, value) VALUES ('outbox', 0), ('rejected', 0);

CREATE TABLE rejected_reports (
    content_sha TEXT NOT NULL PRIMARY KEY,
    seq BIGINT NOT NULL UNIQUE,
    id TEXT NOT NULL,
    source TEXT NOT NULL,
    reasons TEXT NOT NULL,
    body TEXT NOT NULL,
    at_ms BIGINT NOT NULL,
    -- What it names, so that it is known when it is on record after all.
    report TEXT,
    station TEXT
);
CREATE INDEX rejected_named ON rejected_reports (report) WHERE report IS NOT NULL;

CREATE TABLE dropped_files (
    content_sha TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    outcome TEXT NOT NULL,
    at_ms BIGINT NOT NULL
);

-- What was said of each subject of an alert, and who heard it; JSON.
CREATE TABLE cases (
    key TEXT NOT NULL PRIMARY KEY,
    body TEXT NOT NULL
);

CREATE TABLE memos (
    name TEXT NOT NULL PRIMARY KEY,
    value TEXT NOT NULL
);

CREATE TABLE outbox (
    seq BIGINT NOT NULL PRIMARY KEY,
    webhook TEXT NOT NULL,
    id TEXT NOT NULL,
    content_type TEXT NOT NULL,
    body TEXT NOT NULL,
    created_ms BIGINT NOT NULL,
    due_ms BIGINT NOT NULL,
    tries BIGINT NOT NULL,
    last_try_ms BIGINT,
    last_error TEXT,
    delivered_ms BIGINT,
    -- What else it is sent with, JSON; and what it becomes on sending.
    headers TEXT NOT NULL,
    form TEXT NOT NULL,
    -- The shortest body, in case the receiver will not take the whole one.
    brief TEXT,
    brief_id TEXT NOT NULL,
    -- The cases that it says are over, by key, JSON; emptied once it was delivered.
    ended TEXT NOT NULL,
    -- How often its receiver said that it will not take it, and when it was set aside for that.
    refusals BIGINT NOT NULL DEFAULT 0,
    refused_ms BIGINT,
    -- The id of the message whose shortest body this is.
    stands_for TEXT,
    -- 1 where it only says how another webhook fares: that it was refused is told nobody else.
    about_webhooks BIGINT NOT NULL DEFAULT 0,
    -- What it says first, and how urgent that is.
    title TEXT NOT NULL DEFAULT '',
    severity TEXT NOT NULL DEFAULT '',
    UNIQUE (id, webhook)
);
CREATE INDEX outbox_waiting ON outbox (webhook, seq) WHERE delivered_ms IS NULL AND refused_ms IS NULL;
CREATE INDEX outbox_refused ON outbox (seq) WHERE refused_ms IS NOT NULL;
CREATE INDEX outbox_delivered ON outbox (delivered_ms) WHERE delivered_ms IS NOT NULL;

CREATE TABLE good_inventory (
    one BIGINT NOT NULL PRIMARY KEY CHECK (one = 1),
    digest TEXT NOT NULL,
    at_ms BIGINT NOT NULL
);
CREATE TABLE good_files (
    path TEXT NOT NULL PRIMARY KEY,
    sha TEXT NOT NULL,
    text TEXT NOT NULL
);
