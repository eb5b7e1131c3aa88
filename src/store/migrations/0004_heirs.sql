-- Where a station stood and what it was, so that one that appears in its place is known; and a script that was handed out.
ALTER TABLE settled ADD COLUMN formerly TEXT NOT NULL DEFAULT '';
ALTER TABLE settled ADD COLUMN site TEXT NOT NULL DEFAULT '';
ALTER TABLE settled ADD COLUMN model TEXT NOT NULL DEFAULT '';
ALTER TABLE settled ADD COLUMN out_print TEXT NOT NULL DEFAULT '';
ALTER TABLE settled ADD COLUMN out_ms BIGINT NOT NULL DEFAULT 0;
