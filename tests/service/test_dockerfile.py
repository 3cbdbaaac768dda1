"""The Dockerfile keeps what its comments promise, by a linter and by reading it.

That the image also runs on a root file system nobody can write to: tests/faults.
"""

import re
from pathlib import Path

import pytest
from dockerfile_said import DOCKERFILE, ROOT, Image, faults_of

TEXT = DOCKERFILE.read_text(encoding="utf-8")

DEFECTS = {
    "the newest of everything": (r"FROM python:\S+$", "FROM python:latest"),
    "a tag that moves": (r"FROM python:\S+$", "FROM python:3.11-slim"),
    "a large base": (r"FROM python:3\.11\.14-slim-bookworm$", "FROM python:3.11.14-bookworm"),
    "root": (r"^USER .*$", "USER root"),
    "no user": (r"^USER .*$", ""),
    "a shell before the service": (r"^CMD .*$", "CMD wrench-drift serve"),
    "no command": (r"^CMD .*$", ""),
    "no health check": (r"^HEALTHCHECK .*\n.*$", ""),
    "a health check that asks for readiness": ("/health/live", "/health/ready"),
    "a secret": (r"^USER ", "ENV WRENCH_DRIFT_TOKEN=x\nUSER "),
    "the whole folder": (r"^COPY service service$", "COPY . ."),
    "a file that is gone": (r"^COPY service service$", "COPY gone service"),
    "a relative folder": (r"^WORKDIR /data$", "WORKDIR data"),
}


def test_the_dockerfile_is_without_fault() -> None:
    assert faults_of(TEXT) == []


@pytest.mark.parametrize(("pattern", "instead"), DEFECTS.values(), ids=DEFECTS.keys())
def test_a_defect_is_found(pattern: str, instead: str) -> None:
    changed = re.sub(pattern, lambda _: instead, TEXT, flags=re.MULTILINE)
    assert changed != TEXT
    assert faults_of(changed) != []


def test_what_changes_lies_in_the_volume() -> None:
    image = Image.of(TEXT)
    (volume,) = image.volumes
    assert image.folder == volume
    assert Path(image.environment["WRENCH_DRIFT_STORE"]).parent == Path(volume)
    assert image.environment["SQLITE_TMPDIR"] == volume


def test_only_what_is_named_reaches_the_builder() -> None:
    lines = (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines()
    rules = [line for line in lines if line and not line.startswith("#")]
    assert rules[0] == "*"
    assert {rule[1:] for rule in rules if rule.startswith("!")} == set(Image.of(TEXT).copied)
