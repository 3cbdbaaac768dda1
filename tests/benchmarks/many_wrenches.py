"""The invented workshop many times over: its records copied, its fit laid out in tiles.

Each copy's wrenches stand a little elsewhere than the first's, so that no two are alike; laws and
doubts are those that the real fit learnt.
"""

import sqlite3
from dataclasses import replace
from pathlib import Path

import numpy as np

from analysis.family import FamilyFit
from analysis.fleet import FleetFit, fleet_of
from service.store import LOCAL_SHOP

_TABLES = ("wrenches", "points", "readings", "checks", "quarantines")
_NAMED = {
    "wrenches": ("serial",),
    "checks": ("id", "wrench"),
    "quarantines": ("wrench", "check_id"),
}
_NUMBERED = {"points": "check_number", "readings": "check_number", "checks": "number"}
_APART_SD = 0.3  # of gain in %, and of offset in % of full scale times ten


def serial_of(serial: str, copy: int) -> str:
    """The first copy keeps its serial."""
    return f"{serial}-{copy}" if copy else serial


def copy_records(path: Path, copies: int) -> None:
    """The store's wrenches and checks so many times in all, with the same dates and readings."""
    with sqlite3.connect(path) as connection:
        (stride,) = connection.execute("SELECT max(number) + 1 FROM checks").fetchone()
        for table in _TABLES:
            columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            taken = []
            for column in columns:
                if column in _NAMED.get(table, ()):
                    taken.append(f"{column} || '-' || c.n")
                elif column == _NUMBERED.get(table):
                    taken.append(f"{column} + c.n * {stride}")
                else:
                    taken.append("NULL" if column == "replaces" else f"t.{column}")
            connection.execute(
                f"WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c WHERE n < ?)"  # noqa: S608
                f" INSERT INTO {table} ({', '.join(columns)})"
                f" SELECT {', '.join(taken)} FROM {table} AS t, c",
                [copies - 1],
            )
        connection.execute("UPDATE shops SET evidence_version = evidence_version + 1")


def copy_shop(path: Path, shops: int) -> tuple[str, ...]:
    """So many more shops with the wrenches, testers and checks of the local one; their keys."""
    keys = tuple(f"branch-{number}" for number in range(1, shops + 1))
    with sqlite3.connect(path) as connection:
        connection.executemany(
            "INSERT INTO shops (key, token, evidence_version) VALUES (?, ?, 1)",
            [(key, f"{number:016x}") for number, key in enumerate(keys, start=1)],
        )
        for table in (*_TABLES, "testers"):
            columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            taken = ["s.id" if column == "shop_id" else f"t.{column}" for column in columns]
            # Shop by shop, so that rows come in the order of the keys.
            connection.execute(
                f"INSERT INTO {table} ({', '.join(columns)}) SELECT {', '.join(taken)}"  # noqa: S608
                f" FROM shops AS s CROSS JOIN {table} AS t"
                " WHERE s.key LIKE 'branch-%' AND t.shop_id ="
                " (SELECT id FROM shops WHERE key = ?)",
                [LOCAL_SHOP],
            )
    connection.close()
    return keys


def copy_laws(path: Path) -> None:
    """Give the local shop's laws to each copy of it, as learnt from the copy's own evidence."""
    with sqlite3.connect(path) as connection:
        connection.execute(
            "INSERT INTO laws (shop_id, method, evidence, learnt_at, content)"
            " SELECT s.id, l.method, s.token || '-' || s.evidence_version, l.learnt_at, l.content"
            " FROM shops AS s CROSS JOIN laws AS l"
            " WHERE s.key LIKE 'branch-%' AND l.shop_id = (SELECT id FROM shops WHERE key = ?)",
            [LOCAL_SHOP],
        )
    connection.close()


def tiled(fit: FleetFit, copies: int) -> FleetFit:
    """The fit with every member so many times."""
    random = np.random.default_rng(10)
    return fleet_of([_tiled(family, copies, random) for family in fit.families])


def _tiled(family: FamilyFit, copies: int, random: np.random.Generator) -> FamilyFit:
    own = len(family.histories.wrenches)
    many = family.of_rows(list(range(own)) * copies)
    place = np.arange(own * copies)
    away = random.normal(0.0, 1.0, (2, 1, own * copies)) * np.array([1.0, 0.1])[:, None, None]
    names = tuple(serial_of(family.histories.wrenches[i % own], i // own) for i in place.tolist())
    checks = tuple(
        tuple(serial_of(check, i // own) for check in family.histories.checks[i % own])
        for i in place.tolist()
    )
    return replace(
        many,
        histories=replace(many.histories, wrenches=names, checks=checks),
        state=replace(
            many.state, level=many.state.level + _APART_SD * np.where(place < own, 0.0, away)
        ),
        outlying=family.outlying,
    )
