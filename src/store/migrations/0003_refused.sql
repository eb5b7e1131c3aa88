-- What a refused report names, so that it is known when it is on record after all.
ALTER TABLE refused_reports ADD COLUMN report TEXT;
ALTER TABLE refused_reports ADD COLUMN station TEXT;
CREATE INDEX refused_named ON refused_reports (report) WHERE report IS NOT NULL;
