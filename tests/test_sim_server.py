"""The same instruments on loopback TCP: any client, equal replies, connections that close and reset."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.errors import ConfigError
from harness.sim.bench import SimulatedBench
from harness.sim.faults import FaultPlan

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "demo" / "brackwater" / "bench_sim.toml"

SCENARIO = [
    ("switch", "ROUT:OPEN:ALL;:ROUT:CLOS (@202);*OPC?"),
    ("switch", "ROUT:CLOS? (@101,202)"),
    ("generator", ":SOUR:FUNC SIN;:SOUR:FREQ 2.5E7;:SOUR:VOLT 600 MV;:OUTP ON;*OPC?"),
    ("generator", "SYST:ERR?"),
    ("counter", "MEAS:FREQ? 2.5E7"),
    ("unit", ":FORM ASC;:SENS1:VOLT:RANG:PTP 0.8;:SENS:SWE:TIME 1E-6;POIN 200;:INIT;*OPC?"),
    ("unit", "TRAC? CHAN1"),
    ("unit", "MEAS:VOLT:PTP? (@1);:MEAS:PER? (@1);:MEAS:VOLT:DC? (@2)"),
    ("unit", "BOGUS;*OPC?"),
    ("unit", "SYST:ERR?"),
    ("calibrator", ":SOUR:FUNC DC;:SOUR:VOLT 3;:OUTP ON;:OUTP OFF;*OPC?"),
    ("calibrator", "*ESR?"),
]


class Client:
    """A socket and nothing else."""

    def __init__(self, address: str) -> None:
        _, host, port, _ = address.split("::")
        self.socket = socket.create_connection((host, int(port)), timeout=5)
        self.lines = self.socket.makefile("rb")

    def query(self, text: str) -> str:
        self.socket.sendall(text.encode() + b"\n")
        return self.lines.readline().decode().rstrip("\n")

    def close(self) -> None:
        self.lines.close()
        self.socket.close()


@pytest.fixture
def bench() -> SimulatedBench:
    return SimulatedBench.load(DEMO)


@pytest.fixture
def clients(bench: SimulatedBench) -> Iterator[dict[str, Client]]:
    with bench.serve() as servers:
        made = {role: Client(servers.addresses[address]) for role, address in bench.addresses.items()}
        yield made
        for client in made.values():
            client.close()


def test_the_same_scenario_in_process_and_on_tcp_gives_equal_replies(
    bench: SimulatedBench, clients: dict[str, Client]
) -> None:
    over_tcp = [clients[role].query(text) for role, text in SCENARIO]
    inside = SimulatedBench.load(DEMO)
    manager = inside.resource_manager()
    resources = {
        role: manager.open_resource(address, read_termination="\n", write_termination="\n", timeout=10_000)
        for role, address in inside.addresses.items()
    }
    assert over_tcp == [resources[role].query(text) for role, text in SCENARIO]
    assert bench.clock.now() == pytest.approx(inside.clock.now())  # busy times pass on the bench's clock alone


def test_the_documented_lines_speak_to_a_served_instrument(
    bench: SimulatedBench, capsys: pytest.CaptureFixture[str]
) -> None:
    page = (ROOT / "docs" / "simulated_bench.md").read_text("utf-8")
    (example,) = (block for block in re.findall(r"```python\n(.*?)```", page, re.DOTALL) if "socket" in block)
    with bench.serve() as servers:
        port = servers.addresses[bench.addresses["unit"]].split("::")[2]
        exec(compile(example.replace("5025", port), "docs/simulated_bench.md", "exec"), {})
    assert capsys.readouterr().out.strip() == "Aldermoor,Egret,Egret-3071,1.08"


def test_two_clients_see_one_instrument(bench: SimulatedBench, clients: dict[str, Client]) -> None:
    with bench.serve() as servers:
        other = Client(servers.addresses[bench.addresses["calibrator"]])
        assert clients["calibrator"].query("OUTP ON;*OPC?") == "1"
        assert other.query("OUTP?") == "1"
        other.close()


def test_a_message_in_pieces_is_one_message(clients: dict[str, Client]) -> None:
    clients["unit"].socket.sendall(b"*I")
    clients["unit"].socket.sendall(b"DN?\r")
    assert clients["unit"].query("") == "Aldermoor,Egret,Egret-3071,1.08"


def test_bytes_that_are_no_command_do_no_harm(clients: dict[str, Client]) -> None:
    clients["unit"].socket.sendall(bytes(range(256)).replace(b"\n", b"") + b"\n")
    assert clients["unit"].query("*IDN?") == "Aldermoor,Egret,Egret-3071,1.08"


def test_a_pulled_cable(bench: SimulatedBench) -> None:
    with bench.serve() as servers:
        client = Client(servers.addresses[bench.addresses["unit"]])
        client.query("*IDN?")
        servers.drop()
        assert client.lines.readline() == b""
        client.close()
        again = Client(servers.addresses[bench.addresses["unit"]])
        assert again.query("*OPC?") == "1"
        again.close()


@pytest.mark.parametrize(("kind", "seen"), [("closed", b""), ("reset", ConnectionResetError)])
def test_a_connection_closes_or_is_reset(bench: SimulatedBench, kind: str, seen: object) -> None:
    bench.inject(FaultPlan(rate=1.0, kinds=(kind,)))
    with bench.serve() as servers:
        client = Client(servers.addresses[bench.addresses["unit"]])
        client.socket.sendall(b"*IDN?\n")
        if seen is ConnectionResetError:
            with pytest.raises(ConnectionResetError):
                client.lines.readline()
        else:
            assert client.lines.readline() == seen
        client.close()


def test_a_cut_reply_sends_its_tail_later(bench: SimulatedBench) -> None:
    bench.inject(FaultPlan(rate=1.0, kinds=("cut",), late="60 ms", seed=4))
    with bench.serve() as servers:
        client = Client(servers.addresses[bench.addresses["unit"]])
        client.socket.settimeout(0.02)
        client.socket.sendall(b"*IDN?\n")
        whole = b"Aldermoor,Egret,Egret-3071,1.08\n"
        first = b""
        try:
            while True:
                first += client.socket.recv(100)
        except TimeoutError:
            pass
        assert first != whole
        assert whole.startswith(first)
        client.socket.settimeout(5)
        assert first + client.socket.recv(100) == whole
        client.close()


def test_only_loopback_is_served(bench: SimulatedBench) -> None:
    with pytest.raises(ConfigError, match="loopback"):
        bench.serve("0.0.0.0")


def test_a_port_that_is_taken_is_named(bench: SimulatedBench) -> None:
    with bench.serve() as servers:
        taken = int(next(iter(servers.addresses.values())).split("::")[2])
        with pytest.raises(ConfigError, match=str(taken)):
            SimulatedBench.load(DEMO).serve(port=taken)
