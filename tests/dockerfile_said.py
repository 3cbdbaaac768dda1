"""What the Dockerfile says of the image, without an engine to build it."""

import json
import re
import subprocess
import sys
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, Final

from dockerfile_parse import DockerfileParser

ROOT: Final = Path(__file__).parents[1]
DOCKERFILE: Final = ROOT / "Dockerfile"
_PINNED: Final = re.compile(r"python:3\.\d+\.\d+-slim-[a-z]+(@sha256:[0-9a-f]{64})?")
_SECRET: Final = re.compile(r"token|passw|secret|credential|api_?key|private", re.IGNORECASE)


@dataclass(frozen=True)
class Image:
    """The last stage.

    bases        images of all stages that come from outside
    users        numeric ids, one after the other
    command, healthcheck   as lists of arguments; None where there is none in exec form
    environment  what ENV sets, references to what the base has left as they are
    folder       where the command runs
    """

    bases: tuple[str, ...]
    users: tuple[str, ...]
    command: list[str] | None
    healthcheck: list[str] | None
    environment: dict[str, str]
    folder: str
    copied: tuple[str, ...]
    volumes: tuple[str, ...]

    @classmethod
    def of(cls, text: str) -> "Image":
        parser = DockerfileParser(fileobj=BytesIO(text.encode()), env_replace=False)
        parts: list[dict[str, Any]] = [
            part for part in parser.structure if part["instruction"] != "COMMENT"
        ]
        said = [(part["instruction"].upper(), part["value"]) for part in parts]
        stages = {value.split()[2] for name, value in said if name == "FROM" and " AS " in value}
        last = max(place for place, (name, _) in enumerate(said) if name == "FROM")
        of_last = said[last:]

        def values(name: str, lines: list[tuple[str, str]] = of_last) -> list[str]:
            return [value for each, value in lines if each == name]

        checks = [value.partition("CMD")[2].strip() for value in values("HEALTHCHECK")]
        bases = (value.split()[0] for value in values("FROM", said))
        return cls(
            bases=tuple(base for base in bases if base not in stages),
            users=tuple(value.partition(":")[0] for value in values("USER")),
            command=_exec_form(values("CMD")),
            healthcheck=_exec_form(checks),
            environment=dict(parser.envs),
            folder=values("WORKDIR")[-1] if values("WORKDIR") else "/",
            copied=tuple(
                source
                for value in values("COPY", said)
                if not value.startswith("--from")
                for source in value.split()[:-1]
            ),
            volumes=tuple(values("VOLUME")),
        )


def _exec_form(values: list[str]) -> list[str] | None:
    try:
        found = json.loads(values[-1])
    except (IndexError, ValueError):
        return None
    return found if isinstance(found, list) else None


def faults_of(text: str) -> list[str]:
    """What is wrong with it, by the linter's rules and by what ours promises."""
    linter = Path(sys.executable).with_name("hadolint")
    found = subprocess.run(  # noqa: S603 - the linter that the tests bring along
        [linter, "--no-color", "--failure-threshold", "info", "-"],
        input=text,
        capture_output=True,
        text=True,
    )
    faults = [line for line in (found.stdout + found.stderr).splitlines() if line]
    assert bool(faults) == bool(found.returncode), found
    image = Image.of(text)
    faults += [f"{base} is not pinned" for base in image.bases if not _PINNED.fullmatch(base)]
    if not image.users or not image.users[-1].isdigit() or int(image.users[-1]) < 1000:
        faults.append("it runs as root, or as a name that nobody can check")
    if image.command is None:
        faults.append("no command in exec form: a shell would keep SIGTERM from it")
    if image.healthcheck is None or "/health/live" not in " ".join(image.healthcheck):
        faults.append("no check of its health that asks for liveness")
    faults += [f"a secret in {name}" for name in image.environment if _SECRET.search(name)]
    faults += [f"{source} is more than is needed" for source in image.copied if source in ".*/"]
    faults += [f"{source} is not there" for source in image.copied if not (ROOT / source).exists()]
    return faults
