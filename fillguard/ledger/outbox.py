"""Notices that are owed to channels, and what became of each try.

`notice` and `attempt` are the record. `outbox` is the worklist computed from them: one row a notice, not settled until
an attempt was delivered. A try that began and has no result may have arrived: it counts as a repeat from then on, and
the notice is due again when its lease is over or fillguard starts anew, whichever comes first.
"""

import sqlite3

from fillguard.ledger.codec import Json, encode
from fillguard.ledger.grid import stored_ms
from fillguard.ports import Attempt, OwedNotice

LEASE_S = 60.0
"""How long a try that began is left alone while nothing is heard of it: longer than any channel's deadline."""


def notice_body(notice: OwedNotice) -> dict[str, Json]:
    """What is recorded of an owed notice."""
    return encode(notice) | {"kind": notice.change.notice_kind}


def known_notice(connection: sqlite3.Connection, notice: OwedNotice) -> int | None:
    """The notice that is recorded already for this very change and channel."""
    row = connection.execute(
        "SELECT id FROM notice WHERE channel = ? AND occurrence = ? AND kind = ? AND changed_ms = ?",
        (
            notice.channel,
            notice.change.occurrence,
            notice.change.notice_kind,
            stored_ms(notice.change.stamp.utc_s),
        ),
    ).fetchone()
    return None if row is None else int(row[0])


def owe(connection: sqlite3.Connection, notice_id: int, notice: OwedNotice) -> None:
    """Put a recorded notice on the worklist."""
    connection.execute(
        "INSERT INTO outbox (notice, channel, priority) VALUES (?, ?, ?)",
        (notice_id, notice.channel, notice.change.priority),
    )


def notice_of(connection: sqlite3.Connection, attempt: Attempt) -> int | None:
    """The notice that `attempt` is about. One sent while the ledger was down has no number: found by what it says."""
    if attempt.outbox_id > 0:
        return attempt.outbox_id
    row = connection.execute(
        "SELECT max(id) FROM notice WHERE channel = ? AND occurrence = ? AND kind = ?",
        (attempt.channel, attempt.occurrence, attempt.kind),
    ).fetchone()
    return None if row is None or row[0] is None else int(row[0])


def attempt_body(attempt: Attempt, notice_id: int | None) -> dict[str, Json]:
    """What is recorded of a try: its start and its result are two rows."""
    return encode(attempt) | {"notice": notice_id, "phase": "started" if attempt.elapsed_s is None else "ended"}


_STANDING = """
SELECT count(DISTINCT body ->> 'started_utc_s'),
       sum(phase = 'ended' AND result = 'failed'),
       max(CASE WHEN result = 'delivered' THEN round(((body ->> 'started_utc_s') + (body ->> 'elapsed_s')) * 1000) END),
       max(id)
FROM attempt WHERE notice = ?
"""
_LAST = "SELECT phase, body ->> 'started_utc_s', body ->> 'not_before_utc_s' FROM attempt WHERE id = ?"
_SETTLE = "UPDATE outbox SET attempts = ?, repeat = ?, settled_ms = ?, not_before_ms = ? WHERE notice = ?"


def settle(connection: sqlite3.Connection, notice_id: int) -> None:
    """Compute one row of the worklist anew from the tries that are recorded."""
    attempts, failed, delivered_ms, last = connection.execute(_STANDING, (notice_id,)).fetchone()
    if last is None:
        return
    phase, started_s, not_before_s = connection.execute(_LAST, (last,)).fetchone()
    due_s = started_s + LEASE_S if phase == "started" else not_before_s
    settled_ms = None if delivered_ms is None else int(delivered_ms)
    may_have_arrived = max(attempts - (failed or 0), 0)
    connection.execute(
        _SETTLE, (attempts, may_have_arrived, settled_ms, 0 if due_s is None else stored_ms(due_s), notice_id)
    )


def all_due(connection: sqlite3.Connection) -> None:
    """Nothing waits any longer: after a start (whoever held a lease is gone) and after the clock was set."""
    connection.execute("UPDATE outbox SET not_before_ms = 0 WHERE settled_ms IS NULL AND not_before_ms > 0")


def restore_worklist(connection: sqlite3.Connection) -> int:
    """Put notices on the worklist that are recorded and missing there; returns how many."""
    missing = connection.execute(
        "SELECT id, channel, body ->> '$.change.priority' FROM notice WHERE id NOT IN (SELECT notice FROM outbox)"
    ).fetchall()
    connection.executemany("INSERT INTO outbox (notice, channel, priority) VALUES (?, ?, ?)", missing)
    for notice_id, _, _ in missing:
        settle(connection, notice_id)
    return len(missing)
