"""Take a run's journal into a new folder here, once: `python -m tests.golden.record RUN_FOLDER NAME`.

What belongs to one machine is taken out of the header (folders of the files; the identity, which is drawn), and every
line is sealed anew. A folder that is there already is left alone.

`digital` and `by_eye` are the two demos (`halfpower demo --fast`, `halfpower demo by-eye --fast`). `before_identities`
is the digital demo as the program wrote it before journals had an identity, issuers of certificates, functions of
signatories and the other later keys. `own_measurement` is that of docs/writing_a_measurement.md on the demo's bench,
run in the folder of its job.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from harness.journal.journal import NAME, Journal, read
from harness.measurement import knowing
from harness.steps import from_plain

FOLDER = Path(__file__).parent / "format-1"
IDENTITY = "00000000000000000000000000000001"


def main(run_folder: str, name: str) -> None:
    """Copy the journal of a run, line by line."""
    header, *rest = (json.loads(line) for line in (Path(run_folder) / NAME).read_text("utf-8").splitlines())
    contents = read(Path(run_folder))
    stamps = iter([header["at"], *(entry["at"] for entry in rest)])
    header["files"] = {kind: Path(path).name for kind, path in header["files"].items()}
    if "id" in header:
        header["id"] = IDENTITY
    kept = {key: value for key, value in header.items() if key not in ("kind", "format", "at", "crc")}
    journal = Journal.create(FOLDER / name, kept, stamp=lambda: next(stamps))
    for entry in rest:
        match entry.pop("kind"):
            case "part":
                journal.part(entry["part"], entry["state"])
            case "end":
                journal.end()
            case "withdrawn":
                journal.withdraw(entry["part"])
            case "event":
                journal.event(entry["part"], entry["what"], entry["text"])
            case "results":
                journal.results(entry["part"], entry["results"])
            case _:
                with knowing(contents.quantities):
                    step, reply = from_plain(entry["step"]), from_plain(entry["reply"])
                journal.reply(entry["part"], entry["n"], step, reply)
    journal.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
