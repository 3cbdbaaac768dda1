"""A fleet worked out part by part: the results of the whole, kept as they come, never mixed."""

import json
import re
import shutil
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner
from polars.testing import assert_frame_equal
from sample_records import NOW, a_check
from small_fleet import VISITS, fill, serial

from analysis.bands import Bands
from analysis.deviation import with_deviations
from analysis.fleet_forecast import FORECASTS, FleetQuestion, forecast_part
from analysis.fleet_laws import learn_fleet_laws
from analysis.teachers import teachers_of
from service.cli import main
from service.fleet import recompute
from service.fleet.engines import EngineFailed
from service.fleet.files import UnusableDirectory
from service.fleet.partitions import Manifest, export_partitions
from service.fleet.recompute import LAWS, RESULTS, Recomputation
from service.frames import number_of_date
from service.records import Policy
from service.rules import rules_of
from service.store import LOCAL_SHOP, Store


class Here(Executor):
    """Works at once, in this process, and counts what it is asked for."""

    def __init__(self, fails_at: int | None = None) -> None:
        self.asked: list[str] = []
        self._fails_at = fails_at

    def submit(self, work: Any, /, *arguments: Any, **named: Any) -> "Future[Any]":
        self.asked.append(work.__name__)
        future: Future[Any] = Future()
        if self.asked.count("_forecast") - 1 == self._fails_at:
            future.set_exception(EngineFailed("the power is gone"))
        else:
            future.set_result(work(*arguments, **named))
        return future


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with Store.open(tmp_path_factory.mktemp("fleet") / "shop.db", migrate=True) as store:
        fill(store)
        yield store


@pytest.fixture(scope="module")
def exported(shop: Store, tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("exported")
    export(shop, directory)
    return directory


@pytest.fixture(scope="module")
def whole(shop: Store) -> pl.DataFrame:
    """The forecasts of the whole fleet, worked out at once."""
    with shop.read(LOCAL_SHOP) as records:
        wrenches, readings = records.evidence(NOW)
        day = number_of_date(NOW.date())
        work = records.work_since(NOW, day)
    deviations = with_deviations(wrenches, readings)
    policy = Policy()
    bands = Bands(policy.low_band_below, policy.upper_band_above)
    question = FleetQuestion(rules_of(policy), bands, day, work)
    return forecast_part(learn_fleet_laws(teachers_of(deviations)), wrenches, deviations, question)


@pytest.fixture(scope="module")
def finished(exported: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Results of the export."""
    out = tmp_path_factory.mktemp("finished") / "out"
    work(Recomputation(exported, out, Here()))
    return out


@pytest.fixture
def out(finished: Path, tmp_path: Path) -> Path:
    """Results of the export, for one test alone."""
    return Path(shutil.copytree(finished, tmp_path / "out"))


def export(store: Store, directory: Path) -> Manifest:
    """Four partitions."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("service.store.store._WRENCHES_AND_CHECKS_AT_ONCE", 3 * (VISITS + 1) + 1)
        with store.read(LOCAL_SHOP) as records:
            return export_partitions(directory, records, LOCAL_SHOP, NOW, readings_at_once=1)


def work(run: Recomputation) -> Recomputation:
    for step in (run.teach, run.learn, run.forecast):
        for _ in step():
            pass
    return run


def frame(out: Path) -> pl.DataFrame:
    return pl.read_parquet(out / "results-*.parquet").sort("wrench", "direction")


def assert_alike(found: pl.DataFrame, expected: pl.DataFrame) -> None:
    """But for what the last digits of sums in another order make of them."""
    assert_frame_equal(found, expected, rel_tol=1e-6, abs_tol=1e-9)


def test_results_are_those_of_the_whole_fleet(
    exported: Path, whole: pl.DataFrame, finished: Path
) -> None:
    found = frame(finished)
    assert found.schema == FORECASTS
    assert_alike(found, whole)
    results = Recomputation(exported, finished, Here()).results
    assert (results.finished, results.rows) == (4, whole.height)


def test_recorded_work_is_counted_towards_the_cap_in_cycles(finished: Path) -> None:
    """The second wrench has made 4,750 of 5,000 pulls since its check; its counter made 400 in 150
    days before, and the rest are foreseen at that pace.
    """
    (found,) = frame(finished).filter(pl.col("wrench") == serial(1)).iter_rows(named=True)
    left_days = (Policy().cap_cycles - 19 * 250) / (400 / 150)
    assert found["bound_by"] == "cycles"
    assert found["due_day"] == pytest.approx(number_of_date(NOW.date()) + left_days)


def test_processes_find_what_one_finds(exported: Path, finished: Path, tmp_path: Path) -> None:
    command = ["fleet", "recompute", str(exported), "--out", str(tmp_path), "--processes", "2"]
    told = CliRunner().invoke(main, command)
    assert told.exit_code == 0, told.output
    assert "12 forecasts of 13 wrenches and 720 readings, as of 2026-05-04" in told.output
    assert_alike(frame(tmp_path), frame(finished))


def test_the_command_tells_what_was_finished_before(exported: Path, out: Path) -> None:
    command = ["fleet", "recompute", str(exported), "--out", str(out), "--processes", "1"]
    assert "4 of 4 partitions were finished before" in CliRunner().invoke(main, command).output
    nothing = CliRunner().invoke(main, ["fleet", "recompute", str(out), "--out", str(out)])
    assert nothing.exit_code == 1
    assert f"there is no export in {out}" in nothing.output


def test_what_is_finished_is_kept(exported: Path, finished: Path, tmp_path: Path) -> None:
    with pytest.raises(EngineFailed, match="the power is gone"):
        work(Recomputation(exported, tmp_path, Here(fails_at=2)))
    again = Here()
    run = Recomputation(exported, tmp_path, again)
    assert run.kept == 3
    assert not run.changed
    work(run)
    assert again.asked == ["_forecast"]
    assert frame(tmp_path).equals(frame(finished))


def test_nothing_is_done_where_all_is_finished(exported: Path, out: Path) -> None:
    nothing = Here()
    assert work(Recomputation(exported, out, nothing)).kept == 4
    assert nothing.asked == []


def test_lost_results_are_worked_out_again(exported: Path, out: Path) -> None:
    results = Recomputation(exported, out, Here()).results
    lost, changed = results.partitions[0], results.partitions[2]
    assert lost is not None
    assert changed is not None
    (out / lost.name).unlink()
    (out / changed.name).write_bytes(b"PAR1")
    run = Recomputation(exported, out, Here())
    assert run.kept == 2
    assert work(run).results.partitions == results.partitions


def test_results_without_their_laws_are_not_kept(exported: Path, out: Path) -> None:
    (out / LAWS).write_text("{}")
    assert Recomputation(exported, out, Here()).kept == 0


def test_results_of_another_export_are_not_kept(exported: Path, out: Path, tmp_path: Path) -> None:
    first = Recomputation(exported, out, Here()).results
    with Store.open(tmp_path / "other.db", migrate=True) as store:
        fill(store)
        with store.write(LOCAL_SHOP) as records:
            records.checks.add(a_check(serial(5)))
        export(store, tmp_path / "in")
    run = Recomputation(tmp_path / "in", out, Here())
    assert run.changed
    assert run.kept == 0
    assert list(out.glob("*.parquet")) == []
    second = work(run).results
    assert first.source != second.source
    assert first.laws != second.laws


def test_results_of_another_method_are_not_kept(exported: Path, out: Path) -> None:
    text = (out / RESULTS).read_text("utf-8")
    (out / RESULTS).write_text(re.sub(r"error-law-state-space/\d+", "error-law/0", text))
    assert Recomputation(exported, out, Here()).changed


def test_results_say_what_they_rest_on(exported: Path, finished: Path) -> None:
    told = json.loads((finished / RESULTS).read_text("utf-8"))
    assert told["evidence_version"] == Manifest.read(exported).evidence_version
    assert told["day"] == NOW.date().isoformat()
    assert told["method"].startswith("error-law-state-space/")


def test_an_export_that_was_changed_is_refused(shop: Store, tmp_path: Path) -> None:
    manifest = export(shop, tmp_path / "in")
    path = tmp_path / "in" / manifest.partitions[1].readings.name
    path.write_bytes(path.read_bytes() + b"\n")
    with pytest.raises(UnusableDirectory, match="was changed"):
        work(Recomputation(tmp_path / "in", tmp_path / "out", Here()))


def test_what_are_no_results_are_refused(exported: Path, out: Path) -> None:
    (out / RESULTS).write_text("[]")
    with pytest.raises(UnusableDirectory, match="name another directory"):
        Recomputation(exported, out, Here())


def test_laws_that_a_worker_sees_otherwise_are_refused(exported: Path, out: Path) -> None:
    next(out.glob("results-00000-*.parquet")).unlink()
    run = Recomputation(exported, out, Here())
    (out / LAWS).write_text((out / LAWS).read_text("utf-8") + " ")
    with pytest.raises(UnusableDirectory, match="same directory"):
        list(run.forecast())


def test_parts_are_taken_in_order_and_few_at_once() -> None:
    """What waits to be taken is bounded, so that a large fleet does not fill the memory."""
    taken = 0
    most = 0

    class Counting(Here):
        def submit(self, work: Any, /, *arguments: Any, **named: Any) -> "Future[Any]":
            nonlocal most
            most = max(most, len(self.asked) + 1 - taken)
            return super().submit(work, *arguments, **named)

    found = []
    for each in recompute._in_order(Counting(), _squared, range(100)):
        found.append(each)
        taken += 1
    assert found == [n * n for n in range(100)]
    assert most <= recompute._AT_ONCE


def _squared(number: int) -> int:
    return number * number
