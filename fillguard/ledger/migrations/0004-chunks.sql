-- Packed measurements. `chunk` is a RECORD table: one row says which rows of which source (or, of projections, which
-- fill) were packed, and the hash of what they became; so the chain covers it. `chunk_data` holds that content. Live rows
-- go when a chunk holds them; content goes when an audit row of the action `pruned` names it, its hash and the policy.

CREATE TABLE chunk (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    stream TEXT NOT NULL AS (CAST(body ->> 'stream' AS TEXT)),
    owner INTEGER NOT NULL AS (CAST(body ->> 'owner' AS INTEGER)),
    first_row INTEGER NOT NULL AS (CAST(body ->> 'first_row' AS INTEGER)),
    last_row INTEGER NOT NULL AS (CAST(body ->> 'last_row' AS INTEGER)),
    first_ms INTEGER NOT NULL AS (CAST(body ->> 'first_ms' AS INTEGER)),
    last_ms INTEGER NOT NULL AS (CAST(body ->> 'last_ms' AS INTEGER))
) STRICT;
CREATE UNIQUE INDEX chunk_once ON chunk (stream, owner, first_row);
CREATE INDEX chunk_by_row ON chunk (stream, last_row);
CREATE INDEX chunk_by_time ON chunk (stream, owner, last_ms, first_ms);

CREATE TABLE chunk_data (chunk INTEGER PRIMARY KEY REFERENCES chunk (id), data BLOB NOT NULL) STRICT;

CREATE INDEX audit_pruned ON audit (subject) WHERE action = 'pruned';

DROP TRIGGER reading_delete;
DROP TRIGGER projection_delete;
