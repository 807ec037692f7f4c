"""The page of a run, without a browser: who is let in, whose answer counts, what is kept, what is shown.

The server is the real one, on loopback. The browser's part is in tests/test_page_browser.py.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import re
import shutil
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from html import unescape
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest

from harness import runs as opening
from harness.commands.page import built, code
from harness.errors import HalfpowerError
from harness.journal import journal
from harness.person import expected
from harness.person.page_server import served
from harness.person.page_web import Access, Watching
from harness.person.progress import Progress
from harness.steps import Sine, Square, TimeMarks, View
from tests.helpers.demo_lab import DEMO, LEAD, a_job, halfpower
from tests.helpers.page_bench import DO, HAZARD, READ, READING, Bench, Typing, a_picture
from tests.helpers.page_client import Client


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def address(bench: Bench) -> Iterator[str]:
    with served(bench.page) as found:
        yield found


# --- who is let in -----------------------------------------------------------------------------------------------


def test_the_secret_is_exchanged_for_a_cookie_that_no_script_and_no_other_site_has(address: str) -> None:
    client = Client(address)
    assert address.startswith("http://127.0.0.1:")
    assert "HttpOnly" in client.set_cookie
    assert "SameSite=strict" in client.set_cookie
    assert client.key.removeprefix("key=") not in client.set_cookie
    status, page, headers = client.send("GET", "/")
    assert (status, b"<h1" in page) == (200, True)
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "*" not in policy
    assert (headers["x-content-type-options"], headers["referrer-policy"]) == ("nosniff", "no-referrer")


def test_a_stolen_address_without_the_secret_shows_nothing(address: str) -> None:
    for path in ("/", "/page.js", "/page.css", "/events", "/?key=", "/?key=wrong", "/?key=%C3%A9"):
        status, said, headers = Client(address, enters=False).send("GET", path)
        assert (status, "set-cookie" in headers) == (403, False)
        assert b"the whole address that the terminal shows" in said


def test_nothing_is_taken_without_the_secret(bench: Bench, address: str) -> None:
    thief, owner = Client(address, enters=False), Client(address)
    with bench.asking(HAZARD), owner.states() as states:
        asked = states.asked()
        assert thief.answer(asked, "go on")[0] == 403
        assert thief.photograph(asked, a_picture())[0] == 403
        thief.cookie = owner.cookie[:-1]
        assert thief.answer(asked, "go on")[0] == 403
        assert owner.answer(asked, "stop") == (204, "")
    assert bench.answered == ["stop"]


def test_another_host_or_origin_is_refused(bench: Bench, address: str) -> None:
    client = Client(address)
    for host in ("evil.example", "evil.example:80", f"192.0.2.9:{client.host.split(':')[1]}", ""):
        status, said, _ = client.send("GET", "/", host=host)
        assert (status, b"no other" in said) == (421, True)
    with bench.asking(READING), client.states() as states:
        asked = states.asked()
        body = f'{{"run": "{asked["run"]}", "question": {asked["question"]["number"]}, "text": "6"}}'.encode()
        for origin in (None, "null", "http://evil.example", f"https://{client.host}"):
            assert client.post("/answer", body, origin=origin)[0] == 403
        assert client.post("/answer", body) == (204, "")


def test_nothing_else_is_served(address: str) -> None:
    client = Client(address)
    for path in ("/index.html", "/../page.py", "/page_files/page.js", "/journal.jsonl", "/docs", "/x"):
        assert client.send("GET", path)[0] == 404


@pytest.mark.parametrize(
    ("host", "named", "here"),
    [
        ("127.0.0.1", "127.0.0.1:80", True), ("127.0.0.1", "localhost:80", True), ("127.0.0.1", "127.0.0.1:81", False),
        ("0.0.0.0", "192.0.2.7:80", True), ("0.0.0.0", "bench.example:80", False), ("192.0.2.7", "192.0.2.8:80", False),
        ("bench.example", "bench.example:80", True), ("::", "[2001:db8::7]:80", True), ("0.0.0.0", "0.0.0.0:80", False),
    ],
)  # fmt: skip
def test_a_host_is_known_by_its_name_or_by_the_number_of_its_address(host: str, named: str, here: bool) -> None:
    assert Access(host=host, port=80).is_here(named) is here


def test_it_is_reached_from_this_computer_alone_unless_a_host_is_named(address: str, bench: Bench) -> None:
    port = int(Client(address).host.split(":")[1])
    with socket.socket() as elsewhere, pytest.raises(OSError, match="refused"):
        elsewhere.connect(("127.0.0.2", port))
    with served(bench.page, "127.0.0.2") as other:
        assert Client(other).send("GET", "/")[0] == 200


@pytest.mark.parametrize("where", ["192.0.2.55", "nowhere.invalid", "127.0.0.1:99999", "127.0.0.1:x"])
def test_a_host_that_is_none_of_this_computer_gets_a_sentence(bench: Bench, where: str) -> None:
    with pytest.raises(HalfpowerError, match=f"--page {where}: "), served(bench.page, where):
        pass


def test_a_port_that_is_taken_gets_a_sentence(bench: Bench, address: str) -> None:
    with pytest.raises(HalfpowerError, match="cannot be served there"), served(bench.page, Client(address).host):
        pass


# --- whose answer counts -----------------------------------------------------------------------------------------


def test_of_two_people_who_answer_at_once_the_first_counts_and_the_other_is_told(bench: Bench, address: str) -> None:
    one, two = Client(address), Client(address)
    with bench.asking(READING, READING), one.states() as states, two.states() as others:
        first = states.asked()
        assert others.asked()["question"] == first["question"]
        assert one.answer(first, "5.9") == (204, "")
        again = others.until(lambda state: state["question"] and state["question"]["number"] == 2)
        assert again["answered"] == ["on a page", "5.9"]
        status, said = two.answer(first, "6.1")
        assert (status, said) == (409, "Somebody was quicker: 5.9 (on a page). Yours was not taken.")
        assert two.answer(again, "6.2") == (204, "")
    assert bench.answered == ["5.9", "6.2"]
    assert "5.9 (on a page)" in bench.out.getvalue()


def test_the_terminal_may_be_quicker(tmp_path: Path) -> None:
    typed = Typing()
    bench = Bench(tmp_path, typed)
    with served(bench.page) as address:
        client = Client(address)
        with bench.asking(READING, READING), client.states() as states:
            first = states.asked()
            typed.type("5.8")
            second = states.until(lambda state: state["question"] and state["question"]["number"] == 2)
            assert second["answered"] == ["at the terminal", "5.8"]
            assert client.answer(first, "6")[1].startswith("Somebody was quicker: 5.8 (at the terminal)")
            typed.type("5.7")
    assert bench.answered == ["5.8", "5.7"]


def test_a_line_begun_before_a_page_answered_answers_nothing(tmp_path: Path) -> None:
    typed = Typing()
    bench = Bench(tmp_path, typed)
    with served(bench.page) as address:
        client = Client(address)
        with bench.asking(READING, HAZARD), client.states() as states:
            assert client.answer(states.asked("divisions"), "6") == (204, "")
            states.asked("hazardous")
            typed.type("go on")  # meant for whatever stood when it was begun
            typed.type("go on")  # and this one comes through a pipe
            assert client.answer(both_heard(bench), "stop") == (204, "")
    assert bench.answered == ["6", "stop"]
    assert "begun while another question stood" in bench.out.getvalue()
    assert "a person must confirm this" in bench.out.getvalue()


def both_heard(bench: Bench) -> dict[str, Any]:
    """The state once both lines were heard."""
    while "a person must confirm" not in bench.out.getvalue():
        threading.Event().wait(0.01)
    state: dict[str, Any] = json.loads(bench.page.state())
    return state


def test_a_terminal_that_is_gone_leaves_the_page(bench: Bench, address: str) -> None:
    client = Client(address)
    with bench.asking(DO, DO), client.states() as states:
        first = states.asked()
        assert client.answer(first, "") == (204, "")
        assert client.answer(states.until(lambda s: s["question"] and s["question"]["number"] == 2), "") == (204, "")
    assert bench.answered == ["", ""]


def test_an_answer_that_comes_while_another_question_stands_is_kept_for_its_own(bench: Bench) -> None:
    """As of a trimmer that is turned: what a reading asks for meanwhile must not swallow that it is adjusted."""
    with bench.operator.standing(DO) as answered:
        outer = json.loads(bench.page.state())
        bench.page.answer(outer["run"], outer["question"]["number"], "note warm")
        with bench.operator.standing(HAZARD) as inner_answered:
            assert inner_answered(0.01) is None
            assert inner_answered(0.01) is None
            inner = json.loads(bench.page.state())
            bench.page.answer(inner["run"], inner["question"]["number"], "go on")
            assert inner_answered(1.0) == "go on"
        assert answered(0.01) == "note warm"


@pytest.mark.parametrize("text", ["photograph 001.jpg " + 64 * "0" + " channel 1", "Photograph /etc/passwd"])
def test_a_photograph_that_was_not_sent_is_not_told_of(bench: Bench, address: str, text: str) -> None:
    client = Client(address)
    with bench.asking(DO), client.states() as states:
        asked = states.asked()
        assert client.answer(asked, text)[0] == 409
        assert client.answer(asked, "") == (204, "")
    assert bench.answered == [""]


def test_a_hazard_is_confirmed_by_a_page_that_holds_the_secret(bench: Bench, address: str) -> None:
    client = Client(address)
    with bench.asking(HAZARD), client.states() as states:
        asked = states.asked()
        assert asked["question"]["hazard"] is True
        assert asked["question"]["photograph"] is False
        assert client.photograph(asked, a_picture())[0] == 409
        client.answer(asked, "go on")
    assert bench.answered == ["go on"]


def test_a_battery_that_dies_in_mid_question_answers_nothing_and_comes_back_to_it(bench: Bench, address: str) -> None:
    client = Client(address)
    with bench.asking(READING):
        with client.states() as states:
            before = states.asked()
        with client.states() as states:
            assert states.asked() == before
        assert bench.answered == []
        client.answer(before, "6")
    assert bench.answered == ["6"]


def test_a_page_from_an_earlier_run_is_told_so(bench: Bench, address: str) -> None:
    client = Client(address)
    with bench.asking(READING), client.states() as states:
        asked = states.asked()
        status, said = client.answer({**asked, "run": "0123456789abcdef"}, "6")
        assert (status, "an earlier run" in said) == (409, True)
        client.answer(asked, "6.0")
    assert bench.answered == ["6.0"]


def test_after_the_end_nothing_is_taken_and_every_page_knows_why(bench: Bench, address: str) -> None:
    client = Client(address)
    with bench.asking(DO), client.states() as states:
        asked = states.asked()
        client.answer(asked, "")
    bench.page.end("It meets its rating.")
    with client.states() as states:
        assert states.until(lambda state: True)["ended"] == "It meets its rating."
    assert client.answer(asked, "") == (409, "The run has ended; this answer was not taken.")


def test_a_run_that_ends_while_a_state_is_on_its_way_is_seen_to_end(bench: Bench) -> None:
    watching = Watching()
    bench.page.on_change = watching.tell
    states = watching.states(bench.page)

    async def seen() -> list[str]:
        first = await anext(states)
        bench.page.end("It meets its rating.")
        return [first, await asyncio.wait_for(anext(states), 10)]

    before, after = asyncio.run(seen())
    assert "It meets" not in before
    assert "It meets" in after


NONSENSE = (
    b"", b"{", b"null", b"[]", b'{"run": 1}', b"\xff\xfe", b"[" * 4000, b'{"run": "x", "question": "1", "text": "6"}',
    b'{"run": "x", "question": 1, "text": null}', b'{"run": "x", "question": 1, "text": 6}', b"x" * 100_000,
)  # fmt: skip


def test_nonsense_is_refused_and_the_question_stands(bench: Bench, address: str) -> None:
    client = Client(address)
    with bench.asking(READING), client.states() as states:
        asked = states.asked()
        assert [client.post("/answer", sent)[0] for sent in NONSENSE] == [400] * len(NONSENSE)
        for text in ("6" * 401, "6\n7", "\x1b[2J", "\u202e6"):
            status, said = client.answer(asked, text)
            assert (status, "was not taken" in said) == (409, True)
        client.answer(asked, "6")
    assert bench.answered == ["6"]


# --- what is shown -----------------------------------------------------------------------------------------------


def test_a_question_comes_with_its_graticule_and_the_answers_it_takes(bench: Bench, address: str) -> None:
    client = Client(address)
    with bench.asking(replace(READING, title="\x1b[2JHow many?\u202e")), client.states() as states:
        asked = states.asked()
        question = asked["question"]
        assert question["title"] == "\\x1b[2JHow many?\\x202e"
        assert question["words"] == ["=", "off", "back", "skip", "?", "stop"]
        graticule = question["graticule"]
        assert (graticule["height"], graticule["width"], graticule["ground"]) == (8, 10, -3)
        assert graticule["cursors"] == "ground"
        assert graticule["expected"] == [[[-5, 3], [5, 3]]]  # 6 div above the ground line
        client.answer(asked, "6")


def test_what_is_told_stands_with_the_question_until_it_is_answered(bench: Bench, address: str) -> None:
    client = Client(address)
    with client.states() as states:
        bench.operator.tell("first line\nsecond\x07")
        with bench.asking(READING, READING):
            first = states.asked()
            assert first["told"] == ["first line\nsecond\\x07"]
            client.answer(first, "6")
            second = states.until(lambda state: state["question"] and state["question"]["number"] == 2)
            assert second["told"] == []
            client.answer(second, "6")


# Facts of the trade: a sine of A div peak to peak about the ground line reaches A/2 above and below it; a period T
# takes T/(s/div) divisions; marks 1 ms apart at 1 ms/div lie one to a division; ×10 spreads ten times.
TRACES = (
    (Sine(level_vpp=0.3, frequency_hz=500.0), "peak_to_peak", 6.0, 1.0, (-3.0, 3.0), 2.0),
    (Square(level_vpp=0.3, frequency_hz=250.0), "peak_to_peak", 6.0, 1.0, (0.0, 6.0), 4.0),
    (TimeMarks(period_s=1e-3, level_vpp=0.2), "span", 8.0, 1.0, (0.0, 4.0), 1.0),
    (TimeMarks(period_s=1e-4, level_vpp=0.2), "span", 8.0, 10.0, (0.0, 4.0), 1.0),
)


def test_the_expected_trace_is_what_an_ideal_scope_draws() -> None:
    for stimulus, quantity, wanted, magnifier, reach, period_div in TRACES:
        view = View(channel=1, volts_per_div=0.05, s_per_div=1e-3, magnifier=magnifier)
        (points,) = expected.trace(
            replace(READ, stimulus=stimulus, quantity=quantity, expected=wanted, view=view), width_div=10.0
        )
        heights = [y for _, y in points]
        assert (min(heights), max(heights)) == pytest.approx(reach, abs=0.03)
        assert (points[0][0] <= -5, points[-1][0] >= 5 - period_div) == (True, True)
        tops = [x for x, y in points if y == max(heights)]
        periods = [(x - tops[0]) / period_div for x in tops]
        assert len(periods) > 2
        assert all(min(one % 0.5, 0.5 - one % 0.5) < 1e-6 for one in periods)
        if quantity == "span":
            assert any(x == pytest.approx(-4.0) for x in tops)  # the span is centred, as it is asked to be read


def test_periods_that_run_together_are_two_edges() -> None:
    step = replace(READ, stimulus=Sine(level_vpp=0.3, frequency_hz=1e6), quantity="peak_to_peak", expected=6.0)
    assert [[y for _, y in edge] for edge in expected.trace(step, 10.0)] == [[0.0, 0.0], [-6.0, -6.0]]


def test_the_code_is_scanned_as_the_address() -> None:
    """A finder pattern of ISO/IEC 18004 stands in three corners: 7 by 7, dark, light, and 3 by 3 dark within."""
    rows = code("http://192.0.2.7:8080/?key=" + "a" * 32)
    dots = [[upper for c in row for upper in [c in "▀█"]] for row in rows], [[c in "▄█" for c in row] for row in rows]
    grid = [line for pair in zip(*dots, strict=True) for line in pair]
    finder = [[max(abs(x - 3), abs(y - 3)) != 2 for x in range(7)] for y in range(7)]
    size = len(grid[0])
    for left, top in ((2, 2), (size - 9, 2), (2, size - 9)):
        assert [line[left : left + 7] for line in grid[top : top + 7]] == finder


# --- photographs -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "ending"), [("JPEG", "jpg"), ("PNG", "png")])
def test_a_photograph_is_kept_under_a_name_of_ours_and_told_with_its_digest(
    bench: Bench, address: str, tmp_path: Path, kind: str, ending: str
) -> None:
    client, picture = Client(address), a_picture(kind)
    with bench.replying(READING), client.states() as states:
        asked = states.asked()
        assert client.photograph(asked, picture, more="&name=../../evil%2Fname.jpg") == (204, "")
        again = states.until(lambda state: state["question"] and state["question"]["number"] == 2)
        assert again["told"] == [f"The photograph is kept: 001.{ending}."]
        assert again["question"]["round"] == asked["question"]["round"]  # what was being typed is kept too
        client.photograph(again, picture)
        client.answer(states.until(lambda state: state["question"] and state["question"]["number"] == 3), "6")
    assert [path.name for path in sorted((tmp_path / "photos").iterdir())] == [f"001.{ending}", f"002.{ending}"]
    assert [path.name for path in tmp_path.iterdir()] == ["photos"]
    assert (tmp_path / "photos" / f"001.{ending}").read_bytes() == picture
    digest = hashlib.sha256(picture).hexdigest()
    assert bench.events[0] == ("photograph", f"001.{ending} {digest} channel 2, 50 mV/div, 300 mV DC")
    assert bench.answered == ["6"]


NO_PHOTOGRAPHS = (
    (b"", 415, "no photograph"),
    (b"<svg xmlns='http://www.w3.org/2000/svg'/>", 415, "no photograph"),
    (b"\xff\xd8\xff\xe0" + b"x" * 50, 415, "no photograph"),
    (a_picture(size=(400, 300))[:-900], 415, "cut off"),
    (b"GIF89a" + b"\0" * 20, 415, "no photograph"),
    (b"\xff" * 50_000_000, 413, "more than 20 MB"),
)


def test_what_is_no_photograph_is_refused_and_nothing_is_kept(bench: Bench, address: str, tmp_path: Path) -> None:
    client = Client(address)
    with bench.replying(READING), client.states() as states:
        asked = states.asked()
        for data, status, sentence in NO_PHOTOGRAPHS:
            refused, said = client.photograph(asked, data)
            assert (refused, sentence in said) == (status, True)
        client.answer(asked, "6")
    assert not list(tmp_path.rglob("*.*"))
    assert bench.events == []


def test_before_the_run_has_a_folder_there_is_no_place_for_a_photograph(bench: Bench, address: str) -> None:
    bench.page.album.folder = None
    client = Client(address)
    with bench.replying(READING), client.states() as states:
        asked = states.asked()
        assert client.photograph(asked, a_picture())[0] == 415
        client.answer(asked, "6")


def test_a_photograph_is_not_typed(tmp_path: Path) -> None:
    typed = Typing()
    bench = Bench(tmp_path, typed)
    with bench.replying(READING):
        typed.type("photograph /etc/passwd")
        typed.type("6")
    assert "not typed" in bench.out.getvalue()
    assert (bench.answered, bench.events) == (["6"], [])


# --- a whole run -------------------------------------------------------------------------------------------------


def test_a_run_is_answered_from_a_page_and_keeps_its_photograph(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    job = a_job(
        tmp_path / "one.toml", f"{LEAD}\nchannels = [1]\nranges = ['100 mV']", unit="aldermoor_skua.toml",
        bench="hand_bench.toml", serial="Skua-0958",
    )  # fmt: skip
    command = ("run", job, "--runs", tmp_path / "runs", "--by-hand", "--page")
    addresses: SimpleQueue[str] = SimpleQueue()
    monkeypatch.setattr("harness.commands.page.announce", lambda _console, address: addresses.put(address))
    with ThreadPoolExecutor() as pool:
        run = pool.submit(halfpower, *command, answers="")
        kept = _answer_all(Client(addresses.get(timeout=30)))
        result = run.result(30)
    assert result.exit_code == 0, result.output
    assert kept == 1
    (folder,) = (tmp_path / "runs").iterdir()
    (event,) = (each for each in journal.read(folder).events if each.what == "photograph")
    name, digest, at = event.text.split(" ", 2)
    resumed = json.loads(built(opening.load(job), Progress(planned={}), journal.read(folder)).state())
    assert [result["place"] for result in resumed["results"]] == ["channel 1, 100 mV/div"]
    photograph = folder / "photos" / name
    assert hashlib.sha256(photograph.read_bytes()).hexdigest() == digest
    assert _photographed(folder / "report.html") == (f"Photograph 001.jpg: {at}", True)
    for change, said in (
        (lambda: photograph.write_bytes(a_picture("PNG")), "no longer"),
        (photograph.unlink, "not in"),
    ):
        change()
        assert halfpower("report", folder, "--html", tmp_path / "again.html").exit_code == 0
        assert _photographed(tmp_path / "again.html") == (f"Photograph 001.jpg: {at}", False)
        assert said in (tmp_path / "again.html").read_text("utf-8")


def _photographed(page: Path) -> tuple[str, bool]:
    """The caption of the one photograph of a report, and whether it is shown."""
    figure = re.search(r'<figure id="photograph0">(.*?)</figure>', page.read_text("utf-8"), re.DOTALL)
    assert figure
    caption = re.search("<figcaption>(.*?)</figcaption>", figure[1])
    assert caption
    return unescape(caption[1]), "data:image/jpeg;base64," in figure[1]


def _answer_all(client: Client) -> int:
    """Answer whatever is asked as expected, to the end; how many photographs were kept with it."""
    kept = seen = 0
    with client.states() as states:
        while not (state := states.until(lambda state, last=seen: _is_new(state, last)))["ended"]:
            question, seen = state["question"], state["question"]["number"]
            if question["kind"] == "read" and not kept:
                assert question["graticule"]["seen"]  # the simulated screen, drawn
                kept += client.photograph(state, a_picture()) == (204, "")
            else:
                client.answer(state, "=" if question["kind"] == "read" else "")
    assert "1 of 1 point is open" in state["ended"]  # an eye cannot decide it; what is shown is the verdict
    return kept


def _is_new(state: dict[str, Any], last: int) -> bool:
    return bool(state["ended"] or (state["question"] and state["question"]["number"] > last))
