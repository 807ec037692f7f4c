"""Take a run's journal into a new folder here, once: `python -m tests.golden.record RUN_FOLDER NAME`.

What belongs to one machine is taken out of the header (folders of the files; the identity, which is drawn), and every
line is sealed anew. A folder that is there already is left alone.

`digital` and `by_eye` are the two demos (`halfpower demo --fast`, `halfpower demo by-eye --fast`). `before_identities`
is the digital demo as the program wrote it before journals had an identity, issuers of certificates, functions of
signatories and the other later keys. `own_measurement` is that of docs/writing_a_measurement.md on the demo's bench,
run in the folder of its job. The one of format 2 is that of format 1, written anew.
"""

from __future__ import annotations

import sys
from pathlib import Path

from harness.journal.journal import FORMAT, NAME, STYLE, Journal, read
from harness.journal.sealed import lines

FOLDER = Path(__file__).parent / f"format-{FORMAT}"
IDENTITY = "00000000000000000000000000000001"


def main(run_folder: str, name: str) -> None:
    """Copy the journal of a run, line by line."""
    header, *rest = lines(Path(run_folder) / NAME, STYLE)
    contents = read(Path(run_folder))
    records = {record.line: record for record in (*contents.records, *contents.withdrawn)}
    stamps = iter([header.at, *(line.at for line in rest)])
    head = dict(contents.header)
    head["files"] = {kind: Path(path).name for kind, path in head["files"].items()}
    if "id" in head:
        head["id"] = IDENTITY
    kept = {key: value for key, value in head.items() if key not in ("kind", "format", "at")}
    journal = Journal.create(FOLDER / name, kept, stamp=lambda: next(stamps))
    for line in rest:
        entry = line.entry
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
            case kind:
                record = records[line.number]
                write = journal.again if kind == "again" else journal.reply
                write(record.part, record.n, record.step, record.reply)
    journal.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
