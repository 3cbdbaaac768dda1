"""The analysis of whole fleets against a loop of MixedLM and against a plain group-by.

    python -m tests.benchmarks.fleet                 1,000 and 10,000 wrenches, two minutes
    python -m tests.benchmarks.fleet 100000          24 million readings
    python -m tests.benchmarks.fleet 100000 --passes 4    the same files four times: 96 million

Invented wrenches of seven kinds, checked four to twelve times in each direction, lie in Parquet
files of a few thousand wrenches each. Measured, all in one run:

    fleet     everything: who teaches, laws, and for each wrench and direction due date, chances,
              risks, drift and Ppk by band, by two processes, one file at a time each
    group-by  Polars counts the same readings' means and variances by check and target: the limit
    MixedLM   statsmodels, a sample of histories one by one: drift with a random intercept a check,
              and the same for each band: no jumps, no family, no risk, no due date

Ratios are of processor time for one history; the Ppk of the sample must agree to 1e-6.
"""

import argparse
import os
import resource
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np
import polars as pl

from analysis.bands import Bands
from analysis.deviation import with_deviations
from analysis.due import DuePolicy
from analysis.fleet_capability import fleet_capability
from analysis.fleet_forecast import FleetQuestion, forecast_part
from analysis.fleet_laws import laws_together, learn_fleet_laws, learnt_apart
from analysis.law_records import from_record, to_record
from analysis.shop import ShopRules
from analysis.teachers import Teachers, joined, teachers_of
from analysis.vocabulary import Mechanism
from tests.analysis.fleet_frames import Herd, frames

WORKERS: Final = 2
WRENCHES_A_FILE: Final = 5_000
SAMPLE: Final = 12  # histories for the loop
# Mechanism, full scale, share of the fleet.
KINDS: Final = (
    (Mechanism.SPRING, 100.0, 0.35),
    (Mechanism.SPRING, 340.0, 0.15),
    (Mechanism.SPRING, 25.0, 0.10),
    (Mechanism.ELECTRONIC, 135.0, 0.20),
    (Mechanism.ELECTRONIC, 30.0, 0.10),
    (Mechanism.BEAM, 60.0, 0.05),
    (Mechanism.DIAL, 150.0, 0.05),
)
RULES: Final = ShopRules((0.2, 0.6, 1.0), 5, DuePolicy(0.95, 12, 5000, 14), 0.02)

Result = TypeVar("Result")


def make(folder: Path, wrenches: int) -> list[Path]:
    """Files of whole wrenches: the frames WRENCHES and READINGS side by side in a folder each."""
    files = []
    for number, first in enumerate(range(0, wrenches, WRENCHES_A_FILE)):
        size = min(WRENCHES_A_FILE, wrenches - first)
        herds = [
            Herd(
                mechanism,
                full_scale,
                round(share * size),
                visits=(4, 6, 8, 10, 12),
                prefix=f"{mechanism.value}-{full_scale:g}-{number}",
            )
            for mechanism, full_scale, share in KINDS
        ]
        registered, readings = frames(*herds, seed=number + 1)
        registered.write_parquet(folder / f"wrenches-{number}.parquet")
        files.append(folder / f"readings-{number}.parquet")
        readings.write_parquet(files[-1])
    return files


def load(file: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    registered = pl.read_parquet(file.with_name(file.name.replace("readings", "wrenches")))
    return registered, with_deviations(registered, pl.read_parquet(file))


def teachers_in(file: Path) -> Teachers:
    return teachers_of(load(file)[1])


def learnt_from(share: Teachers) -> dict[str, Any]:
    return to_record(learn_fleet_laws(share))


@dataclass(frozen=True)
class Work:
    """One file to forecast under given laws."""

    file: Path
    laws: dict[str, Any]
    as_of_day: float


def forecast(work: Work) -> int:
    """Writes the answers beside the readings and returns how many rows they have."""
    question = FleetQuestion(RULES, Bands(), work.as_of_day)
    answers = forecast_part(from_record(work.laws), *load(work.file), question)
    answers.write_parquet(work.file.with_name(work.file.name.replace("readings", "answers")))
    return answers.height


@dataclass(frozen=True)
class Taken:
    """Seconds by the clock and of the processors, children included."""

    wall: float
    processor: float


def timed(work: Callable[[], Result]) -> tuple[Result, Taken]:
    wall, processor = time.perf_counter(), time.process_time()
    result = work()
    return result, Taken(time.perf_counter() - wall, time.process_time() - processor)


def processor_and_result(job: tuple[Callable[[Any], Any], Any]) -> tuple[Any, float]:
    work, argument = job
    result, taken = timed(lambda: work(argument))
    return result, taken.processor


def in_processes(
    pool: ProcessPoolExecutor, work: Callable[[Any], Any], arguments: list[Any]
) -> Iterator[tuple[Any, float]]:
    """Results in order, each with the processor time that it took, as they come."""
    return pool.map(processor_and_result, [(work, argument) for argument in arguments])


def gathered(
    pool: ProcessPoolExecutor, work: Callable[[Any], Any], arguments: list[Any]
) -> tuple[list[Any], Taken]:
    begun = time.perf_counter()
    done = list(in_processes(pool, work, arguments))
    wall = time.perf_counter() - begun
    return [result for result, _ in done], Taken(wall, sum(used for _, used in done))


def sampled(pool: ProcessPoolExecutor, files: list[Path]) -> tuple[Teachers, Taken]:
    """Who teaches: the samples of the files joined as they come, so that memory stays flat."""
    begun, own = time.perf_counter(), time.process_time()
    together: Teachers | None = None
    elsewhere = 0.0
    for sample, used in in_processes(pool, teachers_in, files):
        together = sample if together is None else joined([together, sample])
        elsewhere += used
    if together is None:
        raise ValueError("no files")
    processor = elsewhere + time.process_time() - own
    return together, Taken(time.perf_counter() - begun, processor)


def group_by(files: list[Path]) -> int:
    """The limit: nothing but means and variances of the same readings."""
    cells = (
        pl.scan_parquet(files)
        .group_by("wrench", "direction", "check", "target_nm")
        .agg(
            pl.len(),
            pl.col("reference_nm").mean().alias("mean"),
            pl.col("reference_nm").var().alias("variance"),
        )
        .select(pl.len())
    )
    return int(cells.collect(engine="streaming").item())


def mixed_models(deviations: pl.DataFrame) -> Iterator[tuple[str, str, str, float, float]]:
    """Wrench, direction, band, mean and between-check variance of share of limit, by MixedLM."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    warnings.simplefilter("ignore")  # statsmodels, once imported, warns of every variance near zero

    def fitted(y: np.ndarray, design: np.ndarray, group: pl.Series) -> Any:
        model = MixedLM(y, design, groups=group.to_numpy())
        return model.fit(reml=True, method="powell", xtol=1e-8, ftol=1e-12)

    rows = deviations.with_columns(
        Bands().column(), (pl.col("deviation_pct") / pl.col("mpd_pct")).alias("share")
    )
    for (wrench, direction), own in rows.group_by("wrench", "direction", maintain_order=True):
        z, t = 1.0 / own["x"].to_numpy(), (own["day"] - own["day"].min()).to_numpy() / 365.25
        design = np.column_stack([np.ones_like(z), z, t, z * t])
        fitted(own["deviation_pct"].to_numpy(), design, own["check"])
        for (band,), here in own.group_by("band", maintain_order=True):
            fit = fitted(here["share"].to_numpy(), np.ones((here.height, 1)), here["check"])
            between = float(fit.cov_re[0, 0])
            yield str(wrench), str(direction), str(band), float(fit.fe_params[0]), between


def unadjusted_sample(file: Path) -> pl.DataFrame:
    """Histories of some wrenches that were never adjusted, so that one model is all there is."""
    _, deviations = load(file)
    never = deviations.group_by("wrench", "direction").agg((pl.col("kind") == "as_left").any())
    wanted = never.filter(~pl.col("kind")).sort("wrench", "direction").gather_every(7).head(SAMPLE)
    return deviations.join(wanted, on=["wrench", "direction"], how="semi", maintain_order="left")


def largest_difference(
    sample: pl.DataFrame, models: list[tuple[str, str, str, float, float]]
) -> float:
    """Of means and between-check variances in shares of the limit, where checks differ at all."""
    schema = ["wrench", "direction", "band", "model_mean", "model_between"]
    told = pl.DataFrame(models, schema=schema, orient="row")
    within = (
        sample.with_columns(
            Bands().column(), (pl.col("deviation_pct") / pl.col("mpd_pct")).alias("s")
        )
        .group_by("wrench", "direction", "band", "check")
        .agg((pl.col("s").var(ddof=0) * pl.len()).alias("squares"), (pl.len() - 1).alias("df"))
        .group_by("wrench", "direction", "band")
        .agg((pl.col("squares").sum() / pl.col("df").sum()).alias("within"))
    )
    keys = ["wrench", "direction", "band"]
    both = fleet_capability(sample, Bands()).join(told, on=keys).join(within, on=keys)
    apart = both.drop_nulls().select(
        pl.max_horizontal(
            (pl.col("mean") - pl.col("model_mean")).abs(),
            (pl.col("sd") ** 2 - pl.col("within") - pl.col("model_between")).abs(),
        ).max()
    )
    return float(apart.item())


def peak_mib(pool_workers: int) -> float:
    """Largest memory of this process and of its largest child, as often as there are children."""
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    child = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    return (own + pool_workers * child) / 1024


def stream(pool: ProcessPoolExecutor, work: list[Work], passes: int) -> None:
    """The same files over and over, as if they were so many more."""
    rows, taken = gathered(pool, forecast, work * passes)
    say(
        f"    {passes} passes: {taken.wall:.1f} s, processor {taken.processor:.1f} s,"
        f" {1e6 * taken.processor / sum(rows):.0f} µs a history"
    )


def measure(wrenches: int, passes: int) -> None:
    for library in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS"):
        os.environ[library] = "1"  # for the processes to come: two of them keep two cores busy
    with tempfile.TemporaryDirectory() as name:
        files = make(Path(name), wrenches)
        last_day = pl.scan_parquet(files).select(pl.col("day").max()).collect().item()
        readings = pl.scan_parquet(files).select(pl.len()).collect().item()
        with ProcessPoolExecutor(WORKERS, mp_context=get_context("spawn")) as pool:
            list(pool.map(abs, range(WORKERS)))  # started and imported before the clock
            teachers, drawn = sampled(pool, files)
            records, learning = gathered(pool, learnt_from, learnt_apart(teachers))
            laws = to_record(laws_together(from_record(record) for record in records))
            work = [Work(file, laws, last_day) for file in files]
            rows, placing = gathered(pool, forecast, work)
            for what, taken in (
                ("who teaches", drawn),
                ("laws", learning),
                ("every wrench", placing),
            ):
                say(f"    {what:<13} {taken.wall:8.1f} s   processor {taken.processor:8.1f} s")
            if passes > 1:
                stream(pool, work, passes)
        memory = peak_mib(WORKERS)
        cells, limit = timed(lambda: group_by(files))
        sample = unadjusted_sample(files[0])
        histories = sample.select("wrench", "direction").unique().height
        list(mixed_models(sample.filter(wrench=sample["wrench"][0])))  # imported before the clock
        models, loop = timed(lambda: list(mixed_models(sample)))
    fleet = Taken(
        *(sum(getattr(t, f) for t in (drawn, learning, placing)) for f in ("wall", "processor"))
    )
    each, of_loop = fleet.processor / sum(rows), loop.processor / histories
    one_law = sum(row["one"] is not None for row in laws["families"])
    say(
        f"{wrenches:>7,} wrenches, {readings / 1e6:.1f} M readings, {sum(rows):,} histories, "
        f"{cells / 1e6:.2f} M cells; {one_law} of {len(laws['families'])} families by one law"
    )
    for what, taken in (("fleet", fleet), ("group-by", limit)):
        say(f"    {what:<13} {taken.wall:8.1f} s   processor {taken.processor:8.1f} s")
    say(f"    memory        {memory:8.0f} MiB, largest of all {WORKERS + 1} processes together")
    rest = placing.processor / sum(rows)
    for what, cost in (("a history", each), ("without laws", rest)):
        say(f"    {what:<13} {1e6 * cost:8.0f} µs; MixedLM {of_loop / cost:.0f} x")
    say(f"    group-by      {fleet.processor / limit.processor:8.1f} x its processor time")
    apart = largest_difference(sample, models)
    say(f"    MixedLM differs by at most {apart:.1e}, in shares of the limit")


def say(line: str) -> None:
    print(line, flush=True)  # noqa: T201 - what the script is for


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("wrenches", type=int, nargs="*", default=[1_000, 10_000])
    parser.add_argument(
        "--passes", type=int, default=1, help="over the files, as if they were more"
    )
    told = parser.parse_args()
    for wanted in told.wrenches:
        measure(wanted, told.passes)


if __name__ == "__main__":
    main()
