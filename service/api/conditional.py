"""Conditional requests: entity tags, If-Match on changes, If-None-Match on reads (RFC 9110)."""

import hashlib
import re
from typing import Final

_TAG: Final = r'(?:W/)?"[\x21\x23-\x7e]*"'
TAGS_PATTERN: Final = rf"^\s*(?:\*|{_TAG}(?:\s*,\s*{_TAG})*)\s*$"
_VERSION: Final = re.compile(r'"v([1-9][0-9]{0,17})"')


class VersionRequired(Exception):  # noqa: N818 - an answer about a request
    """A change came without If-Match."""

    def __init__(self) -> None:
        super().__init__("the change came without If-Match")


class TagDiffers(Exception):  # noqa: N818 - an answer about a request
    """If-Match names tags that no version of the record has."""

    def __init__(self, tags: list[str]) -> None:
        super().__init__(f"no version of the record ever had the tag {', '.join(tags)}")


def version_tag(version: int) -> str:
    """The strong tag of a record whose version rises with every change."""
    return f'"v{version}"'


def digest_tag(*parts: object) -> str:
    """The strong tag of an answer that is a function of these parts."""
    digest = hashlib.sha256()
    for part in parts:
        encoded = repr(part).encode()
        digest.update(f"{len(encoded)}:".encode() + encoded)
    return f'"{digest.hexdigest()[:32]}"'


def expected_version(if_match: str | None, current: int) -> int:
    """The version that If-Match names; `*` and a list that holds the current one mean the current.

    if_match   a list of the form TAGS_PATTERN; None: the header did not come

    Raises VersionRequired without the header, TagDiffers when no tag of a version is named.
    Comparison is strong: weak tags never match.
    """
    if if_match is None:
        raise VersionRequired
    tags = _tags(if_match)
    if tags == ["*"]:
        return current
    versions = [int(match[1]) for tag in tags if (match := _VERSION.fullmatch(tag))]
    if not versions:
        raise TagDiffers(tags)
    return current if current in versions else versions[0]


def is_fresh(if_none_match: str | None, tag: str) -> bool:
    """Whether the caller already holds the answer with this tag; comparison is weak.

    What is no list of tags names no answer that the caller could hold.
    """
    if if_none_match is None:
        return False
    tags = _tags(if_none_match)
    return tags == ["*"] or tag in {each.removeprefix("W/") for each in tags}


def _tags(header: str) -> list[str]:
    return [part.strip() for part in header.split(",")]
