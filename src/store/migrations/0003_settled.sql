-- Which lifeline values of each station were last settled; a row outlives its station.
CREATE TABLE settled (
    station TEXT NOT NULL PRIMARY KEY,
    number TEXT NOT NULL,
    print TEXT NOT NULL,
    on_record BIGINT NOT NULL,
    seq BIGINT NOT NULL
);
-- How often rows were moved: who keeps them in mind sees that somebody else moved one.
INSERT INTO counters (name, value) VALUES ('settled', 0);
