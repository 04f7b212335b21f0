-- The first schema. Three kinds of table:
--   RECORD  rows are added, never changed: id, body. `id` is the row's number in `journal`, one sequence for all of
--           them; `body` is canonical JSON and the only truth; every other column is computed from it.
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
    topic TEXT AS (body ->> 'topic'),
    whip TEXT AS (body ->> 'whip'),
    quantity TEXT AS (body ->> 'quantity')
) STRICT;
CREATE UNIQUE INDEX source_once ON source (topic, ifnull(whip, ''), quantity);
CREATE INDEX source_of_whip ON source (whip);

CREATE TABLE boot (id INTEGER PRIMARY KEY, body TEXT NOT NULL, name TEXT AS (body ->> 'name')) STRICT;
CREATE UNIQUE INDEX boot_once ON boot (name);

CREATE TABLE opened (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    fill_id TEXT NOT NULL AS (body ->> 'fill_id'),
    whip TEXT AS (body ->> 'whip'),
    serial TEXT AS (body ->> 'serial'),
    started_ms INTEGER AS (CAST(round((body ->> 'started_s') * 1000) AS INTEGER))
) STRICT;
CREATE UNIQUE INDEX opened_once ON opened (fill_id);

CREATE TABLE fill (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    fill_id TEXT NOT NULL AS (body ->> '$.summary.fill_id') STORED,
    station TEXT AS (body ->> '$.summary.station') STORED,
    whip TEXT AS (body ->> '$.summary.whip') STORED,
    serial TEXT AS (body ->> '$.summary.serial') STORED,
    operator TEXT AS (body ->> '$.summary.operator') STORED,
    outcome TEXT AS (body ->> '$.summary.outcome') STORED,
    started_ms INTEGER AS (CAST(round((body ->> '$.summary.started_s') * 1000) AS INTEGER)) STORED,
    flow_stopped_ms INTEGER AS (CAST(round((body ->> '$.summary.flow_stopped_s') * 1000) AS INTEGER)) STORED,
    ended_ms INTEGER AS (CAST(round((body ->> '$.summary.ended_s') * 1000) AS INTEGER)) STORED,
    o2 REAL AS (body ->> '$.summary.gas.o2') STORED,
    he REAL AS (body ->> '$.summary.gas.he') STORED,
    start_gauge_pa REAL AS (body ->> '$.summary.start_gauge_pa') STORED,
    plateau_seen INTEGER AS (body ->> '$.summary.plateau_seen') STORED,
    close_gauge_pa REAL AS (body ->> '$.summary.close_gauge_pa') STORED,
    settled_gauge_pa REAL AS (body ->> '$.summary.settled_gauge_pa') STORED,
    settled_low_gauge_pa REAL AS (body ->> '$.summary.settled_low_gauge_pa') STORED,
    settled_high_gauge_pa REAL AS (body ->> '$.summary.settled_high_gauge_pa') STORED,
    final_settled_gauge_pa REAL AS (body ->> '$.summary.final_settled_gauge_pa') STORED,
    final_settled_low_gauge_pa REAL AS (body ->> '$.summary.final_settled_low_gauge_pa') STORED,
    final_settled_high_gauge_pa REAL AS (body ->> '$.summary.final_settled_high_gauge_pa') STORED,
    reference_k REAL AS (body ->> '$.summary.reference_k') STORED,
    limit_gauge_pa REAL AS (body ->> '$.summary.limit_gauge_pa') STORED,
    target_gauge_pa REAL AS (body ->> '$.summary.target_gauge_pa') STORED,
    peak_rate_pa_s REAL AS (body ->> '$.summary.peak_rate_pa_s') STORED,
    peak_gauge_pa REAL AS (body ->> '$.summary.peak_gauge_pa') STORED,
    gas_k_max REAL AS (body ->> '$.summary.gas_k_max') STORED,
    alarms TEXT AS (body ->> '$.summary.alarms') STORED,
    findings TEXT AS (body ->> '$.summary.findings') STORED,
    readings INTEGER AS (body ->> '$.summary.readings') STORED,
    doubtful_readings INTEGER AS (body ->> '$.summary.doubtful_readings') STORED,
    config TEXT AS (body ->> 'config') STORED
) STRICT;
CREATE UNIQUE INDEX fill_once ON fill (fill_id);
CREATE INDEX fill_by_start ON fill (started_ms, id);
CREATE INDEX fill_by_serial ON fill (serial, started_ms);

CREATE TABLE event (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    kind TEXT AS (body ->> 'type'),
    at_ms INTEGER AS (CAST(round((body ->> '$.stamp.utc_s') * 1000) AS INTEGER)),
    whip TEXT AS (body ->> 'whip'),
    fill_id TEXT AS (body ->> 'fill_id')
) STRICT;
CREATE INDEX event_by_time ON event (at_ms, id);
CREATE INDEX event_of_fill ON event (fill_id, kind, id) WHERE fill_id IS NOT NULL;

CREATE TABLE alarm (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    at_ms INTEGER AS (CAST(round((body ->> '$.stamp.utc_s') * 1000) AS INTEGER)),
    alarm TEXT AS (body ->> 'alarm'),
    occurrence TEXT AS (body ->> 'occurrence'),
    subject TEXT AS (substr(body ->> 'occurrence', 1, instr(body ->> 'occurrence', '/' || (body ->> 'alarm') || '/') - 1)),
    number INTEGER AS (CAST(substr(
        body ->> 'occurrence',
        instr(body ->> 'occurrence', '/' || (body ->> 'alarm') || '/') + length(body ->> 'alarm') + 2
    ) AS INTEGER)),
    whip TEXT AS (body ->> 'whip'),
    fill_id TEXT AS (body ->> 'fill_id'),
    priority INTEGER AS (body ->> 'priority'),
    state TEXT AS (body ->> 'new')
) STRICT;
CREATE INDEX alarm_by_time ON alarm (at_ms, id);
CREATE INDEX alarm_of_fill ON alarm (fill_id, id) WHERE fill_id IS NOT NULL;
CREATE INDEX alarm_by_subject ON alarm (subject, alarm, number);
CREATE INDEX alarm_by_occurrence ON alarm (occurrence, id);

CREATE TABLE notice (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    channel TEXT AS (body ->> 'channel'),
    occurrence TEXT AS (body ->> '$.change.occurrence'),
    kind TEXT AS (body ->> 'kind'),
    changed_ms INTEGER AS (CAST(round((body ->> '$.change.stamp.utc_s') * 1000) AS INTEGER))
) STRICT;
CREATE UNIQUE INDEX notice_once ON notice (channel, occurrence, kind, changed_ms);

CREATE TABLE attempt (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    notice INTEGER AS (body ->> 'notice'),
    channel TEXT AS (body ->> 'channel'),
    occurrence TEXT AS (body ->> 'occurrence'),
    phase TEXT AS (body ->> 'phase'),
    result TEXT AS (body ->> 'result')
) STRICT;
CREATE INDEX attempt_of_notice ON attempt (notice, id);

CREATE TABLE config (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    hash TEXT AS (body ->> 'config_hash'),
    at_ms INTEGER AS (CAST(round((body ->> '$.at.utc_s') * 1000) AS INTEGER))
) STRICT;
CREATE INDEX config_by_hash ON config (hash, id);

CREATE TABLE audit (
    id INTEGER PRIMARY KEY,
    body TEXT NOT NULL,
    at_ms INTEGER AS (CAST(round((body ->> '$.at.utc_s') * 1000) AS INTEGER)),
    who TEXT AS (body ->> 'who'),
    action TEXT AS (body ->> 'action'),
    subject TEXT AS (body ->> 'subject')
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
