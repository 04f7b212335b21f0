-- The first schema. Three kinds of table:
--   RECORD  rows are added, never changed: id, body. `id` is the row's number in `journal`, one sequence for all of
--           them; `body` is canonical JSON and the only truth; every other column is computed from it, with a CAST: a value
--           of another type would make the integrity check call a sound ledger damaged.
--   WORK    free to change; what matters in it can be computed anew from RECORD.
--   LIVE    measurements as integers (grid.py): added, never changed.
-- The guards that hold this are made by schema.py for every table of its lists.

CREATE TABLE schema_version (version INTEGER PRIMARY KEY, name TEXT NOT NULL, at_ms INTEGER NOT NULL) STRICT;

CREATE TABLE identity (one INTEGER PRIMARY KEY CHECK (one = 1), body TEXT NOT NULL) STRICT;

CREATE TABLE journal (seq INTEGER PRIMARY KEY, kind TEXT NOT NULL, leaf BLOB NOT NULL, head BLOB NOT NULL) STRICT;

-- RECORD ---------------------------------------------------------------------------------------------------------

CREATE TABLE source (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    topic TEXT AS (CAST(body ->> 'topic' AS TEXT)),
    whip TEXT AS (CAST(body ->> 'whip' AS TEXT)),
    quantity TEXT AS (CAST(body ->> 'quantity' AS TEXT))
) STRICT;
CREATE UNIQUE INDEX source_once ON source (topic, ifnull(whip, ''), quantity);
CREATE INDEX source_of_whip ON source (whip);

CREATE TABLE boot (id INTEGER PRIMARY KEY, body TEXT NOT NULL, name TEXT AS (CAST(body ->> 'name' AS TEXT))) STRICT;
CREATE UNIQUE INDEX boot_once ON boot (name);

CREATE TABLE opened (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    fill_id TEXT NOT NULL AS (CAST(body ->> 'fill_id' AS TEXT)),
    whip TEXT AS (CAST(body ->> 'whip' AS TEXT)),
    serial TEXT AS (CAST(body ->> 'serial' AS TEXT)),
    started_ms INTEGER AS (CAST(round((body ->> 'started_s') * 1000) AS INTEGER))
) STRICT;
CREATE UNIQUE INDEX opened_once ON opened (fill_id);

CREATE TABLE fill (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    fill_id TEXT NOT NULL AS (CAST(body ->> '$.summary.fill_id' AS TEXT)) STORED,
    station TEXT AS (CAST(body ->> '$.summary.station' AS TEXT)) STORED,
    whip TEXT AS (CAST(body ->> '$.summary.whip' AS TEXT)) STORED,
    serial TEXT AS (CAST(body ->> '$.summary.serial' AS TEXT)) STORED,
    operator TEXT AS (CAST(body ->> '$.summary.operator' AS TEXT)) STORED,
    outcome TEXT AS (CAST(body ->> '$.summary.outcome' AS TEXT)) STORED,
    started_ms INTEGER AS (CAST(round((body ->> '$.summary.started_s') * 1000) AS INTEGER)) STORED,
    flow_stopped_ms INTEGER AS (CAST(round((body ->> '$.summary.flow_stopped_s') * 1000) AS INTEGER)) STORED,
    ended_ms INTEGER AS (CAST(round((body ->> '$.summary.ended_s') * 1000) AS INTEGER)) STORED,
    o2 REAL AS (CAST(body ->> '$.summary.gas.o2' AS REAL)) STORED,
    he REAL AS (CAST(body ->> '$.summary.gas.he' AS REAL)) STORED,
    start_gauge_pa REAL AS (CAST(body ->> '$.summary.start_gauge_pa' AS REAL)) STORED,
    plateau_seen INTEGER AS (CAST(body ->> '$.summary.plateau_seen' AS INTEGER)) STORED,
    close_gauge_pa REAL AS (CAST(body ->> '$.summary.close_gauge_pa' AS REAL)) STORED,
    settled_gauge_pa REAL AS (CAST(body ->> '$.summary.settled_gauge_pa' AS REAL)) STORED,
    settled_low_gauge_pa REAL AS (CAST(body ->> '$.summary.settled_low_gauge_pa' AS REAL)) STORED,
    settled_high_gauge_pa REAL AS (CAST(body ->> '$.summary.settled_high_gauge_pa' AS REAL)) STORED,
    final_settled_gauge_pa REAL AS (CAST(body ->> '$.summary.final_settled_gauge_pa' AS REAL)) STORED,
    final_settled_low_gauge_pa REAL AS (CAST(body ->> '$.summary.final_settled_low_gauge_pa' AS REAL)) STORED,
    final_settled_high_gauge_pa REAL AS (CAST(body ->> '$.summary.final_settled_high_gauge_pa' AS REAL)) STORED,
    reference_k REAL AS (CAST(body ->> '$.summary.reference_k' AS REAL)) STORED,
    limit_gauge_pa REAL AS (CAST(body ->> '$.summary.limit_gauge_pa' AS REAL)) STORED,
    target_gauge_pa REAL AS (CAST(body ->> '$.summary.target_gauge_pa' AS REAL)) STORED,
    peak_rate_pa_s REAL AS (CAST(body ->> '$.summary.peak_rate_pa_s' AS REAL)) STORED,
    peak_gauge_pa REAL AS (CAST(body ->> '$.summary.peak_gauge_pa' AS REAL)) STORED,
    gas_k_max REAL AS (CAST(body ->> '$.summary.gas_k_max' AS REAL)) STORED,
    alarms TEXT AS (CAST(body ->> '$.summary.alarms' AS TEXT)) STORED,
    findings TEXT AS (CAST(body ->> '$.summary.findings' AS TEXT)) STORED,
    readings INTEGER AS (CAST(body ->> '$.summary.readings' AS INTEGER)) STORED,
    doubtful_readings INTEGER AS (CAST(body ->> '$.summary.doubtful_readings' AS INTEGER)) STORED,
    config TEXT AS (CAST(body ->> 'config' AS TEXT)) STORED
) STRICT;
CREATE UNIQUE INDEX fill_once ON fill (fill_id);
CREATE INDEX fill_by_start ON fill (started_ms, id);
CREATE INDEX fill_by_serial ON fill (serial, started_ms);

CREATE TABLE event (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    kind TEXT AS (CAST(body ->> 'type' AS TEXT)),
    at_ms INTEGER AS (CAST(round((body ->> '$.stamp.utc_s') * 1000) AS INTEGER)),
    whip TEXT AS (CAST(body ->> 'whip' AS TEXT)),
    fill_id TEXT AS (CAST(body ->> 'fill_id' AS TEXT))
) STRICT;
CREATE INDEX event_by_time ON event (at_ms, id);
CREATE INDEX event_of_fill ON event (fill_id, kind, id) WHERE fill_id IS NOT NULL;

CREATE TABLE alarm (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    at_ms INTEGER AS (CAST(round((body ->> '$.stamp.utc_s') * 1000) AS INTEGER)),
    alarm TEXT AS (CAST(body ->> 'alarm' AS TEXT)),
    occurrence TEXT AS (CAST(body ->> 'occurrence' AS TEXT)),
    subject TEXT AS (CAST(substr(body ->> 'occurrence', 1, instr(body ->> 'occurrence', '/' || (body ->> 'alarm') || '/') - 1) AS TEXT)),
    number INTEGER AS (CAST(substr(
        body ->> 'occurrence',
        instr(body ->> 'occurrence', '/' || (body ->> 'alarm') || '/') + length(body ->> 'alarm') + 2
    ) AS INTEGER)),
    whip TEXT AS (CAST(body ->> 'whip' AS TEXT)),
    fill_id TEXT AS (CAST(body ->> 'fill_id' AS TEXT)),
    priority INTEGER AS (CAST(body ->> 'priority' AS INTEGER)),
    state TEXT AS (CAST(body ->> 'new' AS TEXT))
) STRICT;
CREATE INDEX alarm_by_time ON alarm (at_ms, id);
CREATE INDEX alarm_of_fill ON alarm (fill_id, id) WHERE fill_id IS NOT NULL;
CREATE INDEX alarm_by_subject ON alarm (subject, alarm, number);
CREATE INDEX alarm_by_occurrence ON alarm (occurrence, id);

CREATE TABLE notice (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    channel TEXT AS (CAST(body ->> 'channel' AS TEXT)),
    occurrence TEXT AS (CAST(body ->> '$.change.occurrence' AS TEXT)),
    kind TEXT AS (CAST(body ->> 'kind' AS TEXT)),
    changed_ms INTEGER AS (CAST(round((body ->> '$.change.stamp.utc_s') * 1000) AS INTEGER))
) STRICT;
CREATE UNIQUE INDEX notice_once ON notice (channel, occurrence, kind, changed_ms);

CREATE TABLE attempt (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    notice INTEGER AS (CAST(body ->> 'notice' AS INTEGER)),
    channel TEXT AS (CAST(body ->> 'channel' AS TEXT)),
    occurrence TEXT AS (CAST(body ->> 'occurrence' AS TEXT)),
    phase TEXT AS (CAST(body ->> 'phase' AS TEXT)),
    result TEXT AS (CAST(body ->> 'result' AS TEXT))
) STRICT;
CREATE INDEX attempt_of_notice ON attempt (notice, id);

CREATE TABLE config (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    hash TEXT AS (CAST(body ->> 'config_hash' AS TEXT)),
    at_ms INTEGER AS (CAST(round((body ->> '$.at.utc_s') * 1000) AS INTEGER))
) STRICT;
CREATE INDEX config_by_hash ON config (hash, id);

CREATE TABLE audit (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    at_ms INTEGER AS (CAST(round((body ->> '$.at.utc_s') * 1000) AS INTEGER)),
    who TEXT AS (CAST(body ->> 'who' AS TEXT)),
    action TEXT AS (CAST(body ->> 'action' AS TEXT)),
    subject TEXT AS (CAST(body ->> 'subject' AS TEXT))
) STRICT;
CREATE INDEX audit_by_action ON audit (action, id);

-- WORK -----------------------------------------------------------------------------------------------------------

CREATE TABLE outbox (
    notice INTEGER PRIMARY KEY REFERENCES notice (id),
    channel TEXT NOT NULL,
    priority INTEGER NOT NULL,
    attempts INTEGER NOT NULL DEFAULT 0,
    repeat INTEGER NOT NULL DEFAULT 0,
    not_before_ms INTEGER NOT NULL DEFAULT 0,
    settled_ms INTEGER
) STRICT;
CREATE INDEX outbox_due ON outbox (channel, priority, notice) WHERE settled_ms IS NULL;

CREATE TABLE cursor (name TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT, WITHOUT ROWID;

CREATE TABLE quarantine (
    id INTEGER PRIMARY KEY,
    mirror TEXT NOT NULL,
    stream TEXT NOT NULL,
    first_row INTEGER NOT NULL,
    last_row INTEGER NOT NULL,
    status INTEGER NOT NULL,
    reason TEXT NOT NULL,
    at_ms INTEGER NOT NULL
) STRICT;

CREATE TABLE snapshot (
    whip TEXT PRIMARY KEY,
    fill_id TEXT,
    at_ms INTEGER NOT NULL,
    code TEXT NOT NULL,
    rules_hash TEXT NOT NULL,
    body BLOB NOT NULL
) STRICT;

-- LIVE -----------------------------------------------------------------------------------------------------------

CREATE TABLE reading (
    id INTEGER PRIMARY KEY,
    sample_ms INTEGER NOT NULL,
    delay_ms INTEGER NOT NULL,                      -- arrival minus sample
    source INTEGER NOT NULL REFERENCES source (id), -- topic, whip and quantity
    value ANY NOT NULL,                             -- INTEGER: steps of the quantity's grid; REAL: the value itself
    quality INTEGER NOT NULL,
    doubt INTEGER,
    doubted_quality INTEGER,                        -- what the station made of it, where it trusted it less
    doubted INTEGER,
    seq INTEGER,
    boot INTEGER REFERENCES boot (id),
    device_ms INTEGER,
    fill INTEGER REFERENCES opened (id)
) STRICT;
CREATE INDEX reading_by_sample ON reading (source, sample_ms);
-- One message that comes twice gives one reading. With the device's own time that and the value tell it from any other
-- (two of one millisecond by their number); without, the sender's boot and number do.
CREATE UNIQUE INDEX reading_by_device_time ON reading (source, device_ms, value, ifnull(seq, -1)) WHERE device_ms IS NOT NULL;
CREATE UNIQUE INDEX reading_by_number ON reading (source, boot, seq, value)
    WHERE device_ms IS NULL AND boot IS NOT NULL AND seq IS NOT NULL;

CREATE TABLE projection (
    id INTEGER PRIMARY KEY,
    fill INTEGER NOT NULL REFERENCES opened (id),
    sample_ms INTEGER NOT NULL,
    phase INTEGER NOT NULL,
    gauge INTEGER,              -- pressures: steps of 100 Pa gauge
    settled INTEGER,
    settled_low INTEGER,
    settled_high INTEGER,
    cylinder INTEGER,
    developed INTEGER,
    stop_at INTEGER,
    close_at INTEGER,
    bleed_to INTEGER,
    gas INTEGER,                -- temperatures: steps of 0.01 K
    wall INTEGER,
    mass INTEGER,               -- gram tenths
    rate INTEGER,               -- pascal a second
    rate_error INTEGER,
    to_stop INTEGER,            -- tenths of a second
    cap TEXT,
    reason TEXT
) STRICT;
CREATE INDEX projection_of_fill ON projection (fill, sample_ms);
