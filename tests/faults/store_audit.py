"""Is what was acknowledged in the store, once and whole, and nothing half?

Read by a plain connection that knows nothing of the service's own queries.
"""

import sqlite3
from collections.abc import Collection
from pathlib import Path

from requests_sent import REPEATS, TARGETS_NM, Sent

_READINGS = """
SELECT check_number, count(*), count(DISTINCT point_position), total(reference_nm)
FROM readings GROUP BY check_number
"""
_ORPHANS = """
SELECT count(*) FROM points
WHERE (shop_id, check_number) NOT IN (SELECT shop_id, number FROM checks)
UNION ALL
SELECT count(*) FROM readings
WHERE (shop_id, check_number) NOT IN (SELECT shop_id, number FROM checks)
"""
_TRAIL = "SELECT check_id, count(*) FROM wrench_events WHERE kind = ? GROUP BY check_id"


def damage(store: Path, sent: Collection[Sent], acknowledged: Collection[Sent]) -> list[str]:
    """What is wrong with the store, in words; empty when nothing is.

    sent          every request that may have reached it, whatever came back
    acknowledged  those of them that were answered with success
    """
    connection = sqlite3.connect(store)
    try:
        return _damage(connection, sent, acknowledged)
    except sqlite3.DatabaseError as error:
        return [f"the store cannot be read: {error}"]
    finally:
        connection.close()


def stored_keys(store: Path) -> set[str]:
    """Keys of the requests that were stored with their answer."""
    connection = sqlite3.connect(store)
    try:
        return {row[0] for row in connection.execute("SELECT key FROM idempotent_answers")}
    finally:
        connection.close()


def _damage(
    connection: sqlite3.Connection, sent: Collection[Sent], acknowledged: Collection[Sent]
) -> list[str]:
    connection.execute("PRAGMA synchronous=OFF")  # an image is thrown away
    found = [
        f"integrity: {row[0]}"
        for row in connection.execute("PRAGMA integrity_check")
        if row[0] != "ok"
    ]
    if not _has_schema(connection):
        return found + [
            f"{each.key} was acknowledged, and there is no schema" for each in acknowledged
        ]
    found += [f"foreign key: {row}" for row in connection.execute("PRAGMA foreign_key_check")]

    expected = {check.instant: check for each in sent for check in each.checks}
    stored: dict[int, str] = {}
    readings = {row[0]: row[1:] for row in connection.execute(_READINGS)}
    trail = dict(connection.execute(_TRAIL, ("check_recorded",)))
    for number, check_id, instant in connection.execute(
        "SELECT number, id, performed_at FROM checks"
    ):
        if instant in stored:
            found.append(f"the check performed at {instant} is stored twice")
        stored[instant] = check_id
        check = expected.get(instant)
        if check is None:
            found.append(f"nobody sent the check performed at {instant}")
            continue
        count, points, total = readings.get(number, (0, 0, 0.0))
        wanted = sum(map(sum, check.readings_nm))
        if (count, points) != (REPEATS * len(TARGETS_NM), len(TARGETS_NM)):
            found.append(f"check {check.number} has {count} readings at {points} points")
        elif abs(total - wanted) > 1e-9 * wanted:
            found.append(f"check {check.number} has other readings than were sent")
        if trail.get(check_id) != 1:
            found.append(f"check {check.number} stands {trail.get(check_id, 0)} times in the trail")
    if any(row[0] for row in connection.execute(_ORPHANS)):
        found.append("there are points or readings without their check")

    keys = {row[0] for row in connection.execute("SELECT key FROM idempotent_answers")}
    for each in sent:
        there = [check for check in each.checks if check.instant in stored]
        if there and len(there) < len(each.checks):
            found.append(f"{each.key}: {len(there)} of {len(each.checks)} checks are stored")
        if bool(there) != (each.key in keys):
            found.append(
                f"{each.key}: checks {'are' if there else 'are not'} stored, its answer "
                f"{'is' if each.key in keys else 'is not'}"
            )
    for each in acknowledged:
        if not all(check.instant in stored for check in each.checks):
            found.append(f"{each.key} was acknowledged and is lost")
    return found


def _has_schema(connection: sqlite3.Connection) -> bool:
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_schema")}
    return {"checks", "points", "readings", "wrench_events", "idempotent_answers"} <= tables
