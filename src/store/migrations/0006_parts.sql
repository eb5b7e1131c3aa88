-- What a settled print stands for, setting by setting; since when a report is waited for; the share that a change is held by;
-- and which script was handed out. Rows from before have none of it, until they are judged.
ALTER TABLE settled ADD COLUMN parts TEXT NOT NULL DEFAULT '';
ALTER TABLE settled ADD COLUMN since_ms BIGINT NOT NULL DEFAULT 0;
ALTER TABLE settled ADD COLUMN held TEXT NOT NULL DEFAULT '';
ALTER TABLE settled ADD COLUMN out_script TEXT NOT NULL DEFAULT '';
