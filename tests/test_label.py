"""The label of a unit: what stands on it, its size, and that its code leads to the report's number."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace

import pytest
from click.testing import CliRunner

from harness.cli import cli
from harness.errors import HalfpowerError
from harness.report.label import code, label, says
from harness.report.model import Report
from tests.golden.render import FORMATS
from tests.helpers.report_examples import EXAMPLES

ALPHANUMERIC = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"
# Blocks and codewords of data, by version and level (ISO/IEC 18004, table 9; from memory).
BLOCKS = {
    (1, "L"): (1, 19), (1, "M"): (1, 16), (1, "Q"): (1, 13), (1, "H"): (1, 9),
    (2, "L"): (1, 34), (2, "M"): (1, 28), (2, "Q"): (1, 22), (2, "H"): (1, 16),
    (3, "L"): (1, 55), (3, "M"): (1, 44), (3, "Q"): (2, 34), (3, "H"): (2, 26),
    (4, "L"): (1, 80), (4, "M"): (2, 64), (4, "Q"): (2, 48), (4, "H"): (4, 36),
}  # fmt: skip
MASKS = (
    lambda r, c: (r + c) % 2, lambda r, _: r % 2, lambda _, c: c % 3, lambda r, c: (r + c) % 3,
    lambda r, c: (r // 2 + c // 3) % 2, lambda r, c: r * c % 2 + r * c % 3, lambda r, c: (r * c % 2 + r * c % 3) % 2,
    lambda r, c: ((r + c) % 2 + r * c % 3) % 2,
)  # fmt: skip


def drawn(svg: str) -> list[list[bool]]:
    """The modules of a drawn code, without its margin: what its strokes go over."""
    size = int(re.search(r'(?:width|viewBox)="(?:0 0 )?(\d+)', svg)[1])  # type: ignore[index]
    dark = [[False] * size for _ in range(size)]
    x = y = 0.0
    for command, first, second in re.findall(
        r"([Mmh])(-?[\d.]+)(?:[ ,]?(-?[\d.]+))?", re.search(r' d="([^"]+)"', svg)[1]
    ):  # type: ignore[index]
        if command == "h":
            for n in range(int(first)):
                dark[int(y)][int(x) + n] = True
            x += int(first)
        else:
            x, y = (float(first), float(second)) if command == "M" else (x + float(first), y + float(second))
    assert not any(any(line) for line in (*dark[:4], *dark[-4:]))
    return [line[4:-4] for line in dark[4:-4]]


def decoded(svg: str) -> str:
    """Read a code as a phone does, but for the repair of errors (ISO/IEC 18004, clause 12; from memory)."""
    dark = drawn(svg)
    n = len(dark)
    version = (n - 17) // 4
    places = [(8, c) for c in (0, 1, 2, 3, 4, 5, 7, 8)] + [(r, 8) for r in (7, 5, 4, 3, 2, 1, 0)]
    form = int("".join(str(int(dark[r][c])) for r, c in places), 2) ^ 0b101010000010010
    level, mask = "MLHQ"[form >> 13], MASKS[form >> 10 & 7]

    def is_fixed(r: int, c: int) -> bool:
        corner = (r < 9 and (c < 9 or c >= n - 8)) or (r >= n - 8 and c < 9)
        return corner or 6 in (r, c) or (version > 1 and n - 9 <= r < n - 4 and n - 9 <= c < n - 4)

    bits, up = [], True
    for right in (*range(n - 1, 6, -2), 5, 3, 1):
        for r in range(n - 1, -1, -1) if up else range(n):
            bits += [dark[r][c] ^ (mask(r, c) == 0) for c in (right, right - 1) if not is_fixed(r, c)]
        up = not up
    words = [int("".join(str(int(bit)) for bit in bits[i : i + 8]), 2) for i in range(0, len(bits) // 8 * 8, 8)]
    blocks, count = BLOCKS[version, level]
    data = [words[i * blocks + b] for b in range(blocks) for i in range(count // blocks)]
    return said_by("".join(f"{word:08b}" for word in data))


def said_by(stream: str) -> str:
    def take(length: int) -> int:
        nonlocal stream
        value, stream = int(stream[:length], 2), stream[length:]
        return value

    mode, said = take(4), ""
    if mode == 0b0010:  # two characters in eleven bits
        left = take(9)
        while left > 1:
            first, second = divmod(take(11), 45)
            said, left = said + ALPHANUMERIC[first] + ALPHANUMERIC[second], left - 2
        return said + (ALPHANUMERIC[take(6)] if left else "")
    assert mode == 0b0100
    return bytes(take(8) for _ in range(take(8))).decode()


@pytest.mark.parametrize("text", ["A", "2026-11-25-Skua-0958-01", "https://r.example/2026-11-25-Skua-0958-01"])
def test_the_code_is_read_back_as_what_it_leads_to(text: str) -> None:
    assert decoded(code(text)) == text


def box_mm(file: bytes) -> tuple[float, ...]:
    """The size of a PDF's page, which is in points of 1/72 inch."""
    found = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", file)
    assert found
    return tuple(round(float(each) * 25.4 / 72, 2) for each in found.groups())


def finished() -> Report:
    return EXAMPLES["does_not_meet"]()


def test_a_label_has_the_size_that_was_asked_for_and_the_same_bytes_each_time() -> None:
    made = label(finished(), width_mm=50, height_mm=25)
    assert box_mm(made) == (50, 25)
    assert label(finished(), width_mm=50, height_mm=25) == made


def test_it_says_which_unit_when_and_what_came_out() -> None:
    report = finished()
    said = says(report)
    assert said["unit"] == f"{report.setup.unit.maker} {report.setup.unit.model}"
    assert (said["sign"], said["verdict"]) == ("✗", "does not meet")
    assert said["checked"] == f"checked {report.ended[:10]}"
    assert said["number"] == report.number
    assert said["next"] == ""


def test_a_next_date_stands_on_it_only_where_it_was_agreed() -> None:
    report = finished()
    job = report.setup.job.model_copy(update={"next_due": dt.date(2027, 9, 1)})
    assert says(replace(report, setup=replace(report.setup, job=job)))["next"] == "next 2027-09-01"


def test_a_simulated_unit_is_marked() -> None:
    assert says(replace(finished(), simulated=True))["mark"] == "SIMULATED"
    assert says(replace(finished(), simulated=False))["mark"] == ""


def test_an_unfinished_run_has_no_label() -> None:
    with pytest.raises(HalfpowerError, match="not finished"):
        label(EXAMPLES["incomplete"](), width_mm=60, height_mm=30)


@pytest.mark.parametrize("size", [(10, 5), (60, 5), (300, 30), (30, 60)])
def test_a_size_that_is_none_is_one_sentence(size: tuple[float, float]) -> None:
    with pytest.raises(HalfpowerError, match="from 30 × 15 to 200 × 100 mm"):
        label(finished(), width_mm=size[0], height_mm=size[1])


def test_hostile_names_are_set_as_they_are() -> None:
    assert label(EXAMPLES["hostile"](), width_mm=30, height_mm=15).startswith(b"%PDF")


def test_the_command_writes_a_label(tmp_path) -> None:
    run = FORMATS[0] / "digital"
    told = CliRunner().invoke(cli, ["label", str(run), "--size", "40x20", "--pdf", str(tmp_path / "l.pdf")])
    assert told.exit_code == 0, told.output
    assert box_mm((tmp_path / "l.pdf").read_bytes()) == (40, 20)
    wrong = CliRunner().invoke(cli, ["label", str(run), "--size", "big"])
    assert wrong.exit_code == 2
    assert "expected width x height in mm" in " ".join(wrong.output.split())
