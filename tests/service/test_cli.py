"""The command line: files in and out of a store, faults told plainly, servers run and stopped."""

import csv
import io
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from sample_angle_checks import an_angle_check
from sample_records import a_check, a_pull, a_tester, a_wrench

import datasets_demo
from service import exports
from service.access.credentials import Credential, CredentialKind
from service.cli import main
from service.cli.demo import QUESTIONS
from service.cli.serving import base_url
from service.cli.story import days_until_yesterday, load_story, morning_after
from service.records import AnglePerformance
from service.settings import Settings
from service.store import LOCAL_SHOP, Store


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Run a command in an empty directory, with an environment of its own."""
    monkeypatch.chdir(tmp_path)
    for name in list(os.environ):
        if name == "DATABASE_URL" or name.startswith("WRENCH_DRIFT_"):
            monkeypatch.delenv(name)

    def invoke(*arguments, exit_code=0, **options):
        result = CliRunner().invoke(main, [str(a) for a in arguments], **options)
        assert result.exit_code == exit_code, result.output
        return result

    return invoke


@pytest.fixture
def files(tmp_path):
    """Paths of files with one wrench, one tester and two checks."""
    checks = [a_check(), a_check(performed_at=a_check().performed_at - timedelta(days=1))]
    texts = {
        "wrenches.csv": exports.wrenches_csv([a_wrench(angle=AnglePerformance(mpd_deg=2.0))]),
        "testers.csv": exports.testers_csv([a_tester()]),
        "checks.csv": exports.checks_csv(checks),
        "angle-checks.csv": exports.angle_checks_csv([an_angle_check()]),
        "checks.ndjson": exports.checks_ndjson(checks),
        "pulls.csv": exports.pulls_csv([a_pull(), a_pull(job="W-1043", count=5)]),
    }
    for name, lines in texts.items():
        (tmp_path / name).write_text("".join(lines), encoding="utf-8")
    return {name: tmp_path / name for name in texts}


# --- help ---------------------------------------------------------------------------------------


def test_help_names_every_command(run):
    output = run("--help").output
    for command in (
        "serve", "demo", "token", "shop", "import", "export", "fleet", "audit", "backup",
        "restore", "db", "openapi",
    ):  # fmt: skip
        assert re.search(rf"^  {command} ", output, re.MULTILINE)


def test_help_imports_nothing_heavy():
    """What makes help slow is imported by the commands when they run."""
    heavy = ("alembic", "granian", "litestar", "numpy", "pint", "polars", "pydantic", "sqlalchemy")
    code = (
        "import sys; from service.cli import main\n"
        "try: main(['--help'])\n"
        f"finally: print('imported:', sorted(set(sys.modules) & set({heavy!r})))"
    )
    output = subprocess.run(  # noqa: S603 - our own interpreter and text
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout
    assert output.endswith("imported: []\n")


# --- db -----------------------------------------------------------------------------------------


@pytest.mark.sqlite
def test_upgrade_makes_a_store_and_leaves_a_current_one_alone(run, tmp_path):
    assert "was made with schema" in run("db", "upgrade").output
    assert (tmp_path / "wrench-drift.db").is_file()
    assert "is at schema" in run("db", "upgrade").output


@pytest.mark.sqlite
def test_the_option_wins_over_the_environment(run, tmp_path, monkeypatch):
    monkeypatch.setenv("WRENCH_DRIFT_STORE", "by-environment.db")
    run("db", "upgrade")
    run("db", "upgrade", "--store", "by-option.db", "--shop", "second")
    assert {path.name for path in tmp_path.glob("*.db")} == {"by-environment.db", "by-option.db"}
    with Store.open(tmp_path / "by-option.db") as store, store.read("second") as shop:
        assert shop.wrenches.list() == ()


@pytest.mark.sqlite
def test_faults_are_told_without_a_traceback(run, monkeypatch, tmp_path):
    assert "no store at wrench-drift.db" in run("export", "checks", exit_code=1).output
    monkeypatch.setenv("WRENCH_DRIFT_PORT", "http")
    output = run("db", "upgrade", exit_code=1).output
    assert output == "Error: WRENCH_DRIFT_PORT is 'http'; give a port from 1 to 65535\n"
    assert list(tmp_path.iterdir()) == []


# --- import and export --------------------------------------------------------------------------


@pytest.mark.parametrize("checks", ["checks.csv", "checks.ndjson"])
def test_what_is_imported_is_exported(run, files, checks):
    run("db", "upgrade")
    assert "1 registered, 0 there" in run("import", "wrenches", files["wrenches.csv"]).output
    assert "1 registered, 0 there" in run("import", "testers", files["testers.csv"]).output
    assert "2 recorded, 0 there" in run("import", "checks", files[checks]).output
    assert "0 recorded, 2 there" in run("import", "checks", files[checks]).output
    assert "0 registered, 1 there" in run("import", "wrenches", files["wrenches.csv"]).output

    assert "1 recorded, 0 there" in run("import", "angle-checks", files["angle-checks.csv"]).output
    assert "0 recorded, 1 there" in run("import", "angle-checks", files["angle-checks.csv"]).output

    assert "2 recorded, 0 there" in run("import", "pulls", files["pulls.csv"]).output
    assert "0 recorded, 2 there" in run("import", "pulls", files["pulls.csv"]).output

    for what in ("wrenches", "testers", "checks", "angle-checks", "pulls"):
        assert run("export", what).output == files[f"{what}.csv"].read_text("utf-8")
    run("export", "checks", "--format", "ndjson", "--output", "out.ndjson")
    assert Path("out.ndjson").read_text("utf-8") == files["checks.ndjson"].read_text("utf-8")
    run("export", "wrenches", "--format", "ndjson", exit_code=2)


def test_evidence_is_exported_as_parquet(run, files):
    run("db", "upgrade")
    for what in ("wrenches", "testers", "checks"):
        run("import", what, files[f"{what}.csv"])
    output = run("export", "parquet", "out", "--readings", "1000").output
    assert output == "Wrenches: 1. Readings: 30. Partitions: 1, in out\n"
    assert json.loads(Path("out/manifest.json").read_text("utf-8"))["readings"] == 30


def test_export_follows_all_pages(run, tmp_path):
    run("db", "upgrade")
    with Store.open(tmp_path / "wrench-drift.db") as store, store.write(LOCAL_SHOP) as shop:
        for number in range(205):
            shop.wrenches.add(a_wrench(f"W-{number:03}"))
    rows = list(csv.DictReader(io.StringIO(run("export", "wrenches").output)))
    assert [row["serial"] for row in rows] == [f"W-{number:03}" for number in range(205)]


def test_standard_input_and_a_named_format(run, files):
    run("db", "upgrade")
    run("import", "wrenches", "-", input=files["wrenches.csv"].read_text())
    run("import", "testers", files["testers.csv"])
    ndjson = files["checks.ndjson"].read_text()
    output = run("import", "checks", "-", "--format", "ndjson", input=ndjson).output
    assert "2 recorded" in output


def test_a_refused_file_stores_nothing_and_names_each_fault(run, files, tmp_path):
    run("db", "upgrade")
    run("import", "wrenches", files["wrenches.csv"])
    run("import", "testers", files["testers.csv"])
    lines = files["checks.csv"].read_text().splitlines()
    lines[3] = lines[3].replace(",20,", ",twenty,")
    bad = tmp_path / "bad.csv"
    bad.write_text("\n".join(lines) + "\n")
    output = run("import", "checks", bad, exit_code=1).output
    assert "refused, nothing was stored: 1 thing to mend" in output
    assert "row 3, target: 'twenty' is not a number. To mend it: " in output
    assert run("export", "checks").output.count("\n") == 1

    output = run("import", "checks", bad, "--partial", exit_code=1).output
    assert "1 recorded, 0 there already" in output
    assert "1 refused\n  row 3, target" in output


def test_many_faults_are_told_in_part(run, files, tmp_path):
    run("db", "upgrade")
    lines = files["checks.csv"].read_text().splitlines()
    bad = tmp_path / "bad.csv"
    bad.write_text("\n".join([lines[0], *(["no,cells"] * 60)]) + "\n")
    output = run("import", "checks", bad, exit_code=1).output
    assert output.count("2 cells under") == 50
    assert "and 10 more" in output


def test_pulls_are_read_from_lines_and_in_part(run, files, tmp_path):
    run("db", "upgrade")
    run("import", "wrenches", files["wrenches.csv"])
    pull = {
        "wrench": "TW-1",
        "job": "W-1",
        "performed_at": "2026-05-01T09:15:00Z",
        "direction": "clockwise",
        "torque": {"value": 22, "unit": "N.m"},
    }
    (tmp_path / "work.jsonl").write_text(
        json.dumps(pull) + "\n" + json.dumps(pull | {"job": "W-2", "wrench": "TW-9"}) + "\n"
    )
    assert "row 2, /wrench" in run("import", "pulls", "work.jsonl", exit_code=1).output
    assert run("export", "pulls").output.count("\n") == 1
    assert "1 recorded, 0 there already" in (
        run("import", "pulls", "work.jsonl", "--partial", exit_code=1).output
    )
    assert run("export", "pulls").output.splitlines()[1:] == [
        "TW-1,W-1,2026-05-01T09:15:00Z,clockwise,22,N.m,,,1,"
    ]


def test_unusual_readings_need_the_flag(run, files, tmp_path):
    run("db", "upgrade")
    run("import", "wrenches", files["wrenches.csv"])
    run("import", "testers", files["testers.csv"])
    header, first = files["checks.csv"].read_text().splitlines()[:2]
    slip = tmp_path / "slip.csv"
    slip.write_text(f"{header}\n{first.replace(',60,', ',60,').replace('19.9', '14.75')}\n")
    assert "wrong unit?" in run("import", "checks", slip, exit_code=1).output
    assert "1 recorded" in run("import", "checks", slip, "--confirm-unusual").output


def test_openapi_writes_the_description(run, tmp_path):
    described = json.loads(run("openapi").output)
    assert described["openapi"].startswith("3.1")
    run("openapi", "--output", "described.json")
    assert json.loads((tmp_path / "described.json").read_text("utf-8")) == described


# --- access -------------------------------------------------------------------------------------


@pytest.mark.sqlite
def test_a_token_is_shown_once_and_only_its_digest_is_kept(run, tmp_path):
    run("db", "upgrade")
    made = run("token", "create", "--name", "bench 2", "--scope", "bench")
    secret = made.stdout.strip()
    token_id = secret.split("_")[1]
    assert Credential.parse(secret).kind is CredentialKind.TOKEN
    assert f"{token_id}: 'bench 2' of shop local, scope bench, until" in made.stderr
    listed = run("token", "list").output
    assert re.search(rf"^{token_id}  bench   until \S+  never used  bench 2$", listed, re.MULTILINE)
    stored = b"".join(path.read_bytes() for path in tmp_path.glob("wrench-drift.db*"))
    assert Credential.parse(secret).digest.encode() in stored
    assert secret.split("_", 2)[2].encode() not in stored


def test_a_revoked_token_stays_in_the_list(run):
    run("db", "upgrade")
    token_id = run("token", "create", "--name", "lost").stdout.split("_")[1]
    assert "is revoked" in run("token", "revoke", token_id).output
    assert re.search(rf"^{token_id}  read    revoked ", run("token", "list").output)
    assert "no token 'nobody'" in run("token", "revoke", "nobody", exit_code=1).output


def test_no_token_lives_longer_than_policy_allows(run):
    run("db", "upgrade")
    output = run("token", "create", "--name", "x", "--days", "367", exit_code=1).output
    assert "a token of 367 days is not made here" in output
    assert run("token", "list").output == ""


def test_shops_are_added_and_listed_and_have_tokens_of_their_own(run):
    run("db", "upgrade")
    run("shop", "add", "annex")
    run("shop", "add", "annex")
    assert run("shop", "list").output.split() == ["annex", "local"]
    run("token", "create", "--name", "annex bench", "--shop", "annex")
    assert run("token", "list").output == ""
    assert "annex bench" in run("token", "list", "--shop", "annex").output
    run("shop", "add", "two\nlines", exit_code=2)


@pytest.mark.usefixtures("answering_at_once")
def test_serve_tells_a_first_token_once_and_none_where_there_is_one(run):
    first = run("serve", "--store", "shop.db", "--port", "0").output
    assert Credential.parse(auth_in(first).removeprefix("Authorization: Bearer ")) is not None
    assert re.search(r"/sign-in#wdl_\S+$", first, re.MULTILINE)
    again = run("serve", "--store", "shop.db", "--port", "0").output
    assert "wdt_" not in again
    assert "wdl_" not in again


# --- the story of the demo ----------------------------------------------------------------------


@pytest.mark.parametrize("moved_by_days", [0, 4, -365])
def test_the_story_is_moved_by_whole_days(empty_store, moved_by_days):
    by = timedelta(days=moved_by_days)
    load_story(empty_store, LOCAL_SHOP, moved_by_days=moved_by_days, now=morning_after() + by)
    first = next(csv.DictReader(io.StringIO(datasets_demo.checks_csv().read_text("utf-8"))))
    tester = next(csv.DictReader(io.StringIO(datasets_demo.testers_csv().read_text("utf-8"))))
    with empty_store.read(LOCAL_SHOP) as shop:
        checks = tuple(shop.checks.every())
        last = max(check.performed_at for check in checks)
        assert last.date() <= datasets_demo.LAST_DAY + by
        assert checks[0].performed_at == datetime.fromisoformat(first["performed_at"]) + by
        assert checks[0].card is not None
        assert checks[0].card.issued_on == date.fromisoformat(first["card_issued_on"]) + by
        stored = shop.testers.get(tester["serial"])
        assert stored.calibrated_on == date.fromisoformat(tester["calibrated_on"]) + by
        assert stored.due_on == date.fromisoformat(tester["due_on"]) + by
        assert len(shop.wrenches.list()) == 40


def test_the_last_day_of_the_story_becomes_yesterday():
    today = date(2031, 3, 1)
    moved = datasets_demo.LAST_DAY + timedelta(days=days_until_yesterday(today))
    assert moved == date(2031, 2, 28)
    assert morning_after().date() == datasets_demo.LAST_DAY + timedelta(days=1)


def test_the_demo_takes_no_store_that_is_there(run, tmp_path):
    (tmp_path / "mine.db").write_bytes(b"precious")
    assert "is there already" in run("demo", "--store", "mine.db", exit_code=1).output
    assert (tmp_path / "mine.db").read_bytes() == b"precious"


# --- servers ------------------------------------------------------------------------------------


@contextmanager
def running(directory, *arguments):
    """A server process, the lines it told when it began to answer, and its base URL."""
    environment = {k: v for k, v in os.environ.items() if not k.startswith("WRENCH_DRIFT_")}
    process = subprocess.Popen(  # noqa: S603 - our own command
        [Path(sys.executable).with_name("wrench-drift"), *arguments, "--port", "0"],
        stdout=subprocess.PIPE,
        text=True,
        cwd=directory,
        env=environment | {"TMPDIR": str(directory), "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout is not None
    try:
        lines = []
        for line in process.stdout:
            lines.append(line)
            if line.startswith("Ctrl-C"):
                break
        url = re.search(r"http://\S+?:\d+", "".join(lines))
        assert url is not None, "".join(lines)
        yield "".join(lines), url[0], process
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.communicate(timeout=30)
        finally:
            process.kill()


def fetch(url, auth):
    """The JSON at an address of the server, asked for with the header that it told."""
    name, _, value = auth.partition(": ")
    request = urllib.request.Request(url, headers={name: value})  # noqa: S310 - our own server
    with urllib.request.urlopen(request, timeout=60) as answer:  # noqa: S310
        return json.load(answer)


def auth_in(told):
    """The header in the line that a reader pastes into another terminal."""
    return re.search(r"^ *AUTH='(.+)'$", told, re.MULTILINE)[1]


@pytest.mark.sqlite  # a process that makes a file for its store, whatever the tests run on
def test_the_demo_serves_its_story_and_leaves_nothing_behind(tmp_path):
    with running(tmp_path, "demo", "--no-shift") as (told, url, process):
        assert url.startswith("http://127.0.0.1:")
        for _, path in QUESTIONS:
            assert f"curl -s -H \"$AUTH\" '{url}{path}'" in told
        page = fetch(f"{url}/v1/wrenches?limit=100", auth_in(told))
        assert len(page["items"]) == 40
        morning = morning_after().isoformat().replace("+00:00", "Z")
        assert page["items"][0]["registered_at"] == morning
        (store,) = tmp_path.glob("wrench-drift-*/demo.db")
        assert store.is_file()
    assert process.returncode == 0
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def answering_at_once(monkeypatch):
    """Let a server be done as soon as it answers."""
    monkeypatch.setattr(
        "service.cli.serving.run_server", lambda settings, on_answering, **_: on_answering()
    )


@pytest.mark.sqlite
@pytest.mark.usefixtures("answering_at_once")
def test_serve_makes_the_store_once(run):
    first = run("serve", "--store", "shop.db", "--port", "0", "--shop", "second").output
    assert "Made a new store" in first
    assert re.search(r"Listening at http://127\.0\.0\.1:\d{2,}, description at \S+/schema\n", first)
    again = run("serve", "--store", "shop.db", "--port", "0").output
    assert "Made a new store" not in again
    assert "AUTH=" in first
    assert "Warning" not in again
    with Store.open("shop.db") as store, store.read("second") as shop:
        assert shop.wrenches.list() == ()


@pytest.mark.usefixtures("answering_at_once")
@pytest.mark.parametrize(
    ("host", "warned"),
    [("127.0.0.1", False), ("localhost", False), ("0.0.0.0", True)],  # noqa: S104
)
def test_serve_warns_when_other_machines_can_reach_it(run, host, warned):
    output = run("serve", "--host", host, "--port", "0").output
    assert ("can be read on the way" in output) is warned


def test_a_port_that_is_taken_is_told_before_anything_is_made(run):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        output = run("serve", "--port", port, exit_code=1).output
    assert f"cannot listen at 127.0.0.1 port {port}" in output
    assert not Path("wrench-drift.db").exists()


@pytest.mark.sqlite  # the same
def test_an_interrupt_while_the_worker_starts_is_not_lost(tmp_path):
    """SIGTERM to the first process alone, as a container's stop sends it."""
    process = subprocess.Popen(  # noqa: S603 - our own command
        [Path(sys.executable).with_name("wrench-drift"), "serve", "--port", "0"],
        cwd=tmp_path,
        stdout=subprocess.DEVNULL,
    )
    try:
        end = time.monotonic() + 30
        while not (children := _children(process.pid)) and time.monotonic() < end:
            time.sleep(0.01)
        assert children
        process.terminate()
        process.wait(timeout=30)
    finally:
        process.kill()
    while any(Path(f"/proc/{child}").exists() for child in children) and time.monotonic() < end:
        time.sleep(0.01)
    assert not any(Path(f"/proc/{child}").exists() for child in children)


def _children(pid):
    """Processes started by a process, on Linux."""
    return Path(f"/proc/{pid}/task/{pid}/children").read_text().split()


@pytest.mark.parametrize(
    ("host", "url"),
    [
        ("127.0.0.1", "http://127.0.0.1:80"),
        ("0.0.0.0", "http://127.0.0.1:80"),  # noqa: S104
        ("::", "http://[::1]:80"),
        ("::1", "http://[::1]:80"),
        ("bench.example", "http://bench.example:80"),
    ],
)
def test_addresses_are_written_for_a_browser(host, url):
    assert base_url(Settings(host=host, port=80)) == url


def test_the_clock_of_the_story_is_utc():
    assert morning_after().tzinfo is UTC
