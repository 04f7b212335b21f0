-- Who got a released cylinder: WORK, not RECORD. A name is kept for its own time and then taken out, which the record of
-- the release itself, in the chain without the name, does not notice.

CREATE TABLE recipient (
    event INTEGER PRIMARY KEY REFERENCES event (id),
    fill_id TEXT NOT NULL,
    name TEXT NOT NULL,
    until_ms INTEGER NOT NULL
) STRICT;
CREATE INDEX recipient_of_fill ON recipient (fill_id);
