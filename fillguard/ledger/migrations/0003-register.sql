-- The register of cylinders: a RECORD table. Every change of a cylinder is a new row with all of its columns, by whom
-- and why; the newest row of a key is the cylinder as it is now, the others are its history.

CREATE TABLE cylinder (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    key TEXT NOT NULL AS (CAST(body ->> 'key' AS TEXT)),
    at_ms INTEGER AS (CAST(round((body ->> '$.at.utc_s') * 1000) AS INTEGER))
) STRICT;
CREATE INDEX cylinder_by_key ON cylinder (key, id);
