"""The image's command where nothing but its data folder can be written to.

Without an engine: the command, the environment and the health check are read from the Dockerfile,
and run in a mount namespace in which the root file system is read-only, without any capability.
"""

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from dockerfile_said import DOCKERFILE, Image

PATIENCE_S = 90
# The process, what stands before every command in its place, and its environment.
Running = tuple["subprocess.Popen[bytes]", list[str], dict[str, str]]
PROGRAMS = Path(sys.executable).parent
# The folder stays as it is on a mount of its own; all else of the root file system is closed.
CLOSED = (
    'mount --make-rprivate / && mount --bind "$1" "$1" && mount -o remount,bind,ro / '
    '&& cd "$1" && shift && exec "$@"'
)


def can_close_the_root(folder: Path) -> bool:
    return (
        os.geteuid() == 0
        and shutil.which("unshare") is not None
        and subprocess.run(
            ["unshare", "--mount", "sh", "-c", CLOSED, "sh", str(folder), "true"],
            capture_output=True,
        ).returncode
        == 0
    )


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    if not can_close_the_root(folder):
        if os.environ.get("CI"):
            pytest.fail("the root file system cannot be made read-only here")
        pytest.skip("only root may make a mount namespace")
    return folder


def as_the_image(image: Image, data: Path, port: int) -> tuple[list[str], dict[str, str]]:
    """A command to put before what the image runs, and the environment it runs in."""
    environment = {
        name: value.replace(image.folder, str(data)) for name, value in image.environment.items()
    } | {
        "PATH": f"{PROGRAMS}:/usr/bin:/bin",
        "HOME": "/nonexistent",
        "WRENCH_DRIFT_PORT": str(port),
        "WRENCH_DRIFT_HOST": "127.0.0.1",
    }
    nothing = ["setpriv", "--bounding-set=-all", "--inh-caps=-all", "--no-new-privs"]  # --cap-drop
    user = [f"--reuid={image.users[-1]}", f"--regid={image.users[-1]}", "--clear-groups"]
    # A developer's Python may lie in a folder that is closed to all others: then it runs as root.
    python = os.path.realpath(sys.executable)
    readable = subprocess.run(
        # By a shell: what setpriv itself executes is still found with root's rights.
        ["setpriv", *user, "sh", "-c", '"$0" -c "" && python -c "import service.app"', python],
        env=environment,
        capture_output=True,
        cwd="/",
    )
    if readable.returncode == 0:
        os.chown(data, int(image.users[-1]), int(image.users[-1]))
        for parent in data.parents[:3]:  # pytest keeps its folders to itself
            parent.chmod(parent.stat().st_mode | 0o011)
    else:
        user = []
    return ["unshare", "--mount", "sh", "-c", CLOSED, "sh", str(data), *nothing, *user], environment


@pytest.fixture
def running(
    data: Path, tmp_path: Path
) -> Iterator[tuple["subprocess.Popen[bytes]", list[str], dict[str, str]]]:
    image = Image.of(DOCKERFILE.read_text(encoding="utf-8"))
    assert image.command is not None
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port: int = probe.getsockname()[1]
    before, environment = as_the_image(image, data, port)
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(
            [*before, *image.command],
            env=environment,
            stdout=log,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    try:
        end = time.monotonic() + PATIENCE_S
        while process.poll() is None and time.monotonic() < end:
            try:
                if httpx.get(f"http://127.0.0.1:{port}/health/live", timeout=5).is_success:
                    break
            except httpx.TransportError:
                time.sleep(0.05)
        else:
            pytest.fail(f"it did not start: {(tmp_path / 'log').read_text()[-4000:]}")
        yield process, before, environment
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def test_it_runs_and_tells_its_health_with_nothing_but_its_data_to_write_to(
    running: Running, data: Path
) -> None:
    process, before, environment = running
    image = Image.of(DOCKERFILE.read_text(encoding="utf-8"))
    assert image.healthcheck is not None

    def run(*command: str) -> int:
        return subprocess.run([*before, *command], env=environment, capture_output=True).returncode

    assert run("touch", str(data.parent / "elsewhere")) != 0  # nothing else can be written to
    assert run("touch", str(data / "here")) == 0
    assert run(*image.healthcheck) == 0
    base = f"http://127.0.0.1:{environment['WRENCH_DRIFT_PORT']}"
    made = subprocess.run(
        [
            *before,
            "wrench-drift",
            "token",
            "create",
            "--name",
            "a",
            "--scope",
            "manage",
            "--days",
            "9",
        ],
        env=environment,
        capture_output=True,
        text=True,
    )
    token = next(word for word in made.stdout.split() if word.startswith("wdt_"))
    authorized = {"Authorization": f"Bearer {token.rstrip('.')}"}
    assert httpx.get(f"{base}/health/ready", headers=authorized, timeout=60).status_code == 200
    assert httpx.get(f"{base}/v1/wrenches", headers=authorized, timeout=60).status_code == 200
    # The command is the process itself: SIGTERM reaches it, and it ends with 0.
    os.kill(process.pid, signal.SIGTERM)
    assert process.wait(PATIENCE_S) == 0
    assert run(*image.healthcheck) == 1
