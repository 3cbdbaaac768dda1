"""Broken files: whatever comes, the service answers what is wrong and where, and stores no half.

Each file is a sound one that something happened to on its way: another encoding, a spreadsheet's
commas, a download that broke off, a format that was never meant.
"""

import gzip
import io
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from calling import signed_in
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from litestar.testing import TestClient
from requests_sent import NOW, Ledger, open_shop

from service.api.check_imports import MOST_IMPORT_BYTES
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store
from service.store.check_rows import NaturalKey

CSV, NDJSON = "text/csv", "application/x-ndjson"
PARQUET = "application/vnd.apache.parquet"
CHECK_HEAD = (
    "wrench,kind,direction,performed_at,tester,operator,temperature_c,cycle_count,target,reading,"
    "indicated,unit,card_issuer,card_certificate,card_issued_on"
)
PULL_HEAD = "wrench,job,performed_at,direction,torque,unit"

CELLS = (
    "", "20", "19.83", "19,83", "1.983,5", "1e3", "1e999", "-0", "nan", "inf", "0x14", "٣", "½",
    "true", "N.m", "Nm", "ft-lb", "J", "FT-00", "TB-1", "as_found", "clockwise", "links",
    "2026-05-03T10:00:00Z", "2026-05-03 10:00", "2026-05-03T10:00:00+25:00", "9999-12-31T23:59:60Z",
    "0001-01-01T00:00:00+14:00", "46145.5", "=1+1", '"', "'", "\x00", "a\x00b", "\ufeff", "é", "💥",
    "\ud800", "\r", "99999999999999999999", "1" * 400, " 20 ", "20 N.m", "x" * 140_000,
)  # fmt: skip
JSON_VALUES = (
    "null", "true", "1e999", "-1", "NaN", '""', "[]", "{}", '"' + "x" * 3000 + '"', "1" * 5000,
    '{"value": 20, "unit": "J"}', "[" * 600 + "]" * 600, '"\\ud800"', "0.1e-400", '{"a":1,"a":2}',
)  # fmt: skip


def check_csv(cells: list[tuple[int, int, str]]) -> str:
    """Two checks of two readings, with some cells, by row and column, replaced."""
    rows = [
        ["FT-00", "as_found", "clockwise", f"2026-05-0{day}T10:00:00Z", "TB-1", "bench 2", "21.5",
         "", "40", reading, "", "N.m", "", "", ""]
        for day in (1, 2)
        for reading in ("39.9", "39.95")
    ]  # fmt: skip
    for row, column, text in cells:
        rows[row % len(rows)][column % len(rows[0])] = text
    return "\n".join([CHECK_HEAD, *(",".join(row) for row in rows), ""])


def pull_csv(cells: list[tuple[int, int, str]]) -> str:
    rows = [
        ["FT-01", f"W-{number}", f"2026-05-01T1{number}:00:00Z", "clockwise", "60", "N.m"]
        for number in range(3)
    ]
    for row, column, text in cells:
        rows[row % len(rows)][column % len(rows[0])] = text
    return "\n".join([PULL_HEAD, *(",".join(row) for row in rows), ""])


def check_ndjson(cells: list[tuple[int, int, str]]) -> str:
    """Two lines, with the values of some members replaced by other JSON."""
    lines = []
    for each in Ledger().file(2).checks:
        members = {
            name: json.dumps(value)
            for name, value in {"wrench": each.wrench, **each.body()}.items()
        }
        lines.append(members)
    for row, column, text in cells:
        members = lines[row % len(lines)]
        members[sorted(members)[column % len(members)]] = JSON_VALUES[len(text) % len(JSON_VALUES)]
    return "\n".join(
        "{" + ", ".join(f'"{name}": {value}' for name, value in members.items()) + "}"
        for members in lines
    )


KINDS: dict[str, tuple[str, str, Callable[[list[tuple[int, int, str]]], str]]] = {
    "checks in CSV": ("/v1/checks/import", CSV, check_csv),
    "checks in NDJSON": ("/v1/checks/import", NDJSON, check_ndjson),
    "pulls in CSV": ("/v1/pulls/import", CSV, pull_csv),
}


def parquet(text: str) -> bytes:
    """The text as somebody's column, under the name of another format."""
    file = io.BytesIO()
    pl.DataFrame({"line": text.encode("utf-8", "replace").decode().splitlines()}).write_parquet(
        file
    )
    return file.getvalue()


# What happens to a file on its way, by name; each is told where it may happen.
HARMS: dict[str, Callable[[str, int], bytes]] = {
    "none": lambda text, _: text.encode("utf-8", "surrogatepass"),
    "byte order mark": lambda text, _: b"\xef\xbb\xbf" + text.encode("utf-8", "surrogatepass"),
    "mark in the middle": lambda text, at: insert(text, at, b"\xef\xbb\xbf"),
    "UTF-16": lambda text, _: text.encode("utf-16", "surrogatepass"),
    "UTF-32": lambda text, _: text.encode("utf-32", "surrogatepass"),
    "Latin-1": lambda text, _: text.replace("bench", "Prüfstand").encode("latin-1", "replace"),
    "broken off": lambda text, at: whole(text)[: at % (len(text) + 1)],
    "NUL": lambda text, at: insert(text, at, b"\x00"),
    "quote": lambda text, at: insert(text, at, b'"'),
    "line ends of old": lambda text, _: whole(text).replace(b"\n", b"\r"),
    "line ends of both": lambda text, _: whole(text).replace(b"\n", b"\r\r\n"),
    "semicolons": lambda text, _: whole(text).replace(b",", b";").replace(b".", b","),
    "tabs": lambda text, _: whole(text).replace(b",", b"\t"),
    "twice": lambda text, _: whole(text) * 2,
    "a byte turned": lambda text, at: turned(text, at),
    "compressed": lambda text, _: gzip.compress(whole(text)),
    "compressed, broken off": lambda text, at: gzip.compress(whole(text))[: 10 + at % 50],
    "parquet": lambda text, _: parquet(text),
    "parquet, broken off": lambda text, at: parquet(text)[: 4 + at % 200],
    "lines shuffled": lambda text, at: b"\n".join(sorted(whole(text).split(b"\n"), key=hash)),
    "headings alone": lambda text, _: whole(text).split(b"\n")[0],
    "nothing": lambda text, _: b"",
    "blank": lambda text, at: b"\n" * (at % 50),
}


def whole(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")


def insert(text: str, at: int, what: bytes) -> bytes:
    content = whole(text)
    place = at % (len(content) + 1)
    return content[:place] + what + content[place:]


def turned(text: str, at: int) -> bytes:
    content = bytearray(whole(text))
    content[at % len(content)] ^= 1 << (at % 8)
    return bytes(content)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestClient[Any], Store]]:
    with Store.open(tmp_path_factory.mktemp("files") / "shop.db", migrate=True) as store:
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            open_shop(client)  # type: ignore[arg-type]
            yield client, store


def stored(store: Store) -> dict[str, int]:
    """Readings by the id of each check, and the count by the id of each pull."""
    with store.read(LOCAL_SHOP) as shop:
        found = {
            check.id: sum(len(point.readings) for point in check.points)
            for check in shop.checks.every()
        }
        assert len({NaturalKey.of(check) for check in shop.checks.every()}) == len(found)
        for serial in ("FT-00", "FT-01"):
            found |= {pull.id: pull.count for pull in shop.pulls.list(serial, limit=10_000)}
    return found


def send(
    shop: tuple[TestClient[Any], Store], path: str, media_type: str, content: bytes, partial: bool
) -> int:
    """The status of a file's answer, once it was found to be as every answer has to be."""
    client, store = shop
    send.count += 1  # type: ignore[attr-defined]
    before = stored(store)
    response = client.post(
        path,
        params={"partial": str(partial).lower()},
        content=content,
        headers={"Content-Type": media_type, "Idempotency-Key": f"file-{send.count}"},  # type: ignore[attr-defined]
    )
    after = stored(store)
    told = response.json()
    if response.status_code == 200:
        assert set(after) - set(before) == set(told["stored"])
        assert all(after.values())
        assert partial or told["refused"] == []
        findings = told["refused"]
        assert all(each["row"] >= 1 for each in findings)
    else:
        assert response.status_code in {400, 413, 422}, told
        assert after == before
        findings = told["errors"]
        assert findings
    for each in findings:
        assert each["detail"]
        assert each["remedy"]
    assert len(response.content) < 4_000_000
    return int(response.status_code)


send.count = 0  # type: ignore[attr-defined]


def test_whatever_happens_to_a_file_it_is_told_and_nothing_is_half_stored(
    shop: tuple[TestClient[Any], Store], long: bool
) -> None:
    statuses: dict[int, int] = {}

    @settings(
        max_examples=20_000 if long else 400,
        deadline=None,
        derandomize=not long,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(
        kind=st.sampled_from(sorted(KINDS)),
        cells=st.lists(
            st.tuples(st.integers(0, 3), st.integers(0, 14), st.sampled_from(CELLS) | st.text()),
            max_size=3,
        ),
        harm=st.sampled_from(sorted(HARMS)),
        at=st.integers(0, 5_000),
        partial=st.booleans(),
    )
    @example(kind="checks in CSV", cells=[], harm="none", at=0, partial=False)
    @example(kind="checks in NDJSON", cells=[], harm="byte order mark", at=0, partial=True)
    @example(kind="pulls in CSV", cells=[], harm="none", at=0, partial=False)
    def whatever(
        kind: str, cells: list[tuple[int, int, str]], harm: str, at: int, partial: bool
    ) -> None:
        path, media_type, make = KINDS[kind]
        status = send(shop, path, media_type, HARMS[harm](make(cells), at), partial)
        statuses[status] = statuses.get(status, 0) + 1

    whatever()
    print(f"{sum(statuses.values())} files: {statuses}")  # noqa: T201
    assert {200, 422} <= set(statuses)


@pytest.mark.parametrize("kind", sorted(KINDS))
@pytest.mark.parametrize(
    "content",
    [
        b",".join(b"c%d" % number for number in range(1_000_000)),
        CHECK_HEAD.encode() + b"\n" + b"," * 1_000_000,
        PULL_HEAD.encode() + b"\n" + b"," * 1_000_000,
        CHECK_HEAD.encode() + b"\n" + b"x,\n" * 300_000,
        b"\n".join([b"{}"] * 100_000),
        b'{"wrench":' * 100_000,
        b"[" * 1_000_000,
        b'"' * 1_000_001,
        b"\x00" * 1_000_000,
    ],
    ids=lambda content: f"{bytes(content[:12])!r}...",
)
def test_a_monstrous_file_is_refused_in_few_words(
    shop: tuple[TestClient[Any], Store], kind: str, content: bytes
) -> None:
    """In time too: the whole test has to end."""
    path, media_type, _ = KINDS[kind]
    assert send(shop, path, media_type, content, partial=False) in {400, 413, 422}


def test_a_parquet_file_that_was_harmed_is_told(
    shop: tuple[TestClient[Any], Store], long: bool
) -> None:
    """Bytes turned, cut out or broken off: what still is one is read, or the file is refused."""
    file = io.BytesIO()
    pl.read_csv(check_csv([]).encode(), infer_schema=False).write_parquet(file)
    data = file.getvalue()
    statuses: dict[int, int] = {}

    @settings(
        max_examples=2_000 if long else 30,
        deadline=None,
        derandomize=not long,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(
        at=st.integers(0, len(data) - 1),
        cut=st.integers(0, 8),
        byte=st.binary(max_size=1),
        broken_off=st.booleans(),
    )
    @example(at=0, cut=0, byte=b"", broken_off=False)
    def harmed(at: int, cut: int, byte: bytes, broken_off: bool) -> None:
        content = data[:at] + byte + (b"" if broken_off else data[at + cut :])
        status = send(shop, "/v1/checks/import", PARQUET, content, partial=False)
        statuses[status] = statuses.get(status, 0) + 1

    harmed()
    print(f"{sum(statuses.values())} files: {statuses}")  # noqa: T201
    assert {200, 422} <= set(statuses)


def a_bomb() -> bytes:
    """Some kilobytes that unpack to 300 MB."""
    file = io.BytesIO()
    pl.select(pl.repeat("x" * 100, 3_000_000).alias("wrench")).write_parquet(file)
    assert len(file.getvalue()) < MOST_IMPORT_BYTES
    return file.getvalue()


def test_a_bomb_stays_packed(shop: tuple[TestClient[Any], Store]) -> None:
    assert send(shop, "/v1/checks/import", PARQUET, a_bomb(), partial=False) == 422


@pytest.mark.parametrize(
    ("path", "media_type"),
    [
        ("/v1/pulls/import", PARQUET),
        ("/v1/pulls/import", "application/gzip"),
        ("/v1/checks/import", "application/gzip"),
    ],
)
def test_formats_that_are_not_taken_are_named(
    shop: tuple[TestClient[Any], Store], path: str, media_type: str
) -> None:
    """Nothing of the file is read."""
    response = shop[0].post(
        path,
        content=a_bomb(),
        headers={"Content-Type": media_type, "Idempotency-Key": f"{path}-{media_type}"},
    )
    assert response.status_code == 415
    assert "text/csv" in response.headers["accept"]


def test_a_packed_body_is_not_unpacked(shop: tuple[TestClient[Any], Store]) -> None:
    """So that a small body cannot become a large one."""
    response = shop[0].post(
        "/v1/checks/import",
        content=gzip.compress(b"0" * 50_000_000),
        headers={"Content-Type": CSV, "Content-Encoding": "gzip", "Idempotency-Key": "packed"},
    )
    assert response.status_code in {400, 415, 422}


def test_a_file_that_is_too_large_is_refused(shop: tuple[TestClient[Any], Store]) -> None:
    response = shop[0].post(
        "/v1/checks/import",
        content=b"x" * (MOST_IMPORT_BYTES + 1),
        headers={"Content-Type": CSV, "Idempotency-Key": "large"},
    )
    assert response.status_code == 413


def test_the_fuzz_would_find_a_file_stored_by_half(
    shop: tuple[TestClient[Any], Store], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Planted: refused rows are dropped in silence."""
    monkeypatch.setattr("service.imports.checks.Refused", _Swallowed)
    with pytest.raises(AssertionError):
        send(shop, "/v1/checks/import", CSV, check_csv([(3, 9, "19,83")]), partial=False)


class _Swallowed(Exception):  # noqa: N818 - stands in for one without this ending
    """Never raised by what reads a file, so that nothing is refused."""

    def __init__(self, findings: Any) -> None:
        super().__init__(findings)
        self.findings: tuple[Any, ...] = ()


def test_the_folder_of_the_store_holds_nothing_else(shop: tuple[TestClient[Any], Store]) -> None:
    """No file that was sent is left lying about."""
    names = {path.name for path in Path(shop[1].path).parent.iterdir()}
    assert names == {"shop.db", "shop.db-wal", "shop.db-shm"}
