-- What passes keep: reports refused, files taken, what was told, messages to deliver, the last good inventory.
CREATE TABLE counters (
    name TEXT NOT NULL PRIMARY KEY,
    value BIGINT NOT NULL
);
INSERT INTO counters (name, value) VALUES ('outbox', 0), ('refused', 0);

CREATE TABLE refused_reports (
    content_sha TEXT NOT NULL PRIMARY KEY,
    seq BIGINT NOT NULL UNIQUE,
    id TEXT NOT NULL,
    source TEXT NOT NULL,
    reasons TEXT NOT NULL,
    body TEXT NOT NULL,
    at_ms BIGINT NOT NULL
);

CREATE TABLE taken_files (
    content_sha TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    outcome TEXT NOT NULL,
    at_ms BIGINT NOT NULL
);

CREATE TABLE told (
    station TEXT NOT NULL PRIMARY KEY,
    body TEXT NOT NULL,
    at_ms BIGINT NOT NULL
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
    UNIQUE (id, webhook)
);
CREATE INDEX outbox_waiting ON outbox (webhook, seq) WHERE delivered_ms IS NULL;
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
