"""What an auditor's export says of itself, in plain words, with a program that checks it.

Clauses of ISO/IEC 17025:2017 by number; the numbers and what they ask for are from memory.
"""

from typing import Final

VERIFIER: Final = """\
import hashlib, json, pathlib, sys

def need(fits, what):
    fits or sys.exit("ALTERED: " + what)

folder = pathlib.Path(sys.argv[1])
manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
for name, told in manifest["files"].items():
    with (folder / name).open("rb") as file:
        need(hashlib.file_digest(file, "sha256").hexdigest() == told["sha256"], name)
number, previous = 0, "0" * 64
for number, line in enumerate((folder / "ledger.ndjson").open("rb"), 1):
    entry = json.loads(line)
    content, own = entry.pop("content"), entry.pop("hash")
    text = json.dumps(entry, sort_keys=True, separators=(",", ":"))
    fits = entry["number"] == number and entry["previous"] == previous
    fits = fits and hashlib.sha256(str(content).encode()).hexdigest() == entry["digest"]
    previous = hashlib.sha256(text.encode()).hexdigest()
    need(fits and previous == own, f"entry {number} of the ledger")
need([number, previous] == manifest["head"], "the end of the ledger")
need(len(sys.argv) < 3 or previous == sys.argv[2], "the noted head is another")
print(f"Nothing was altered: {number} entries, head {previous}")
"""

_TEXT: Final = """\
{title}
{rule}

Written by wrench-drift {release} at {made_at} from one state of the shop. Nothing is left
out but what opens something: no secret, and no digest of one, is in here. What is voided is in.

WHAT IS IN IT

  readings.csv         every reading of torque, with its target and with its check
  checks.csv           every check: wrench, tester or card of another laboratory, operator,
                       temperature, when it was performed and when it was recorded; when and why it
                       was voided (voided_at, void_reason), and which check it replaces (replaces)
  angle_checks.csv, angle_readings.csv    the same for angles
  pulls.csv            the recorded work of each wrench, by job
  wrenches.csv, testers.csv               as they stand; testers with their certificates
  wrench_versions.csv, tester_versions.csv   every version that there ever was, and since when
  quarantines.csv      which wrench is out of service by its own checks
  bookings.csv         every version of every booking of the bench
  policies.csv         every version of the rules by which answers were given; version 1, where it
                       is not listed, is what the program begins with
  trail.csv            who did what to a wrench, when, why, from which address, with which token
  tokens.csv           who could get in: ids, names, scopes and times of tokens
  ledger.ndjson        the chain: an entry for each record, in the order of recording
  manifest.json        each file with its size and SHA-256, the head of the chain, the release of
                       the program and the version of each method of evaluation

CSV is UTF-8 with a header, commas and CRLF (RFC 4180); an empty cell: nothing is on record.
NDJSON is one JSON value a line. Times are UTC (RFC 3339); in ledger.ndjson microseconds since
1970-01-01. Torques are as they were sent, with their unit, and in N·m (_nm). _pct is % of reading,
_deg is degrees. A deviation is (indicated - reference) / reference.

WHERE TO LOOK (ISO/IEC 17025:2017)

  7.5   technical records: checks.csv, readings.csv and testers.csv say what was measured, with
        what, when and by whom. No record is overwritten: checks.csv holds the first one, why it was
        voided and what took its place; trail.csv holds who did it.
  7.11  control of data: ledger.ndjson shows that no record was altered since it was taken in;
        tokens.csv and trail.csv show who had access; manifest.json names program and methods.
  8.4   control of records: each record has an id, a time and an entry in the ledger. Copies and how
        long they are kept are for the laboratory to show (`wrench-drift backup`).

{verified}

HOW TO CHECK IT

Save the lines between the marks as verify.py and run, with Python 3.11 or later and nothing else,

    python verify.py FOLDER [HEAD]

It compares every file with manifest.json, works out every hash of the chain anew from the content
of each entry, and compares the end with the head. HEAD is what was noted elsewhere on the day of
the export, and so is the SHA-256 of manifest.json, which covers the tables: who can write these
files can write all of them anew, and only what was noted elsewhere tells.

----8<---- verify.py
{verifier}----8<----
"""


def readme(*, shop: str, release: str, made_at: str, verified: str) -> str:
    """verified   what the program itself found when it walked the chain in the store"""
    title = f"The records of shop {shop}, for an assessor"
    return _TEXT.format(
        title=title,
        rule="=" * len(title),
        release=release,
        made_at=made_at,
        verified=verified,
        verifier=VERIFIER,
    )
