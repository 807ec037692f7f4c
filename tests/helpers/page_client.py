"""A page without a browser: what a phone sends to a run and hears of it, over loopback."""

from __future__ import annotations

import http.client
import json
from typing import Any
from urllib.parse import urlsplit


class Client:
    """One device: it enters with the address, keeps its cookie, hears states, answers."""

    def __init__(self, address: str, *, enters: bool = True) -> None:
        parts = urlsplit(address)
        assert parts.netloc
        self.host, self.key, self.cookie = parts.netloc, parts.query, ""
        if enters:
            status, _, headers = self.send("GET", f"/?{self.key}")
            assert status == 200
            self.set_cookie = headers["set-cookie"]
            self.cookie = self.set_cookie.split(";")[0]

    def send(
        self, method: str, path: str, body: bytes = b"", **headers: str | None
    ) -> tuple[int, bytes, http.client.HTTPMessage]:
        """One request; a header of None is left out."""
        line = http.client.HTTPConnection(self.host, timeout=20)
        try:
            sent = {"host": self.host, "origin": f"http://{self.host}", "cookie": self.cookie, **headers}
            line.putrequest(method, path, skip_host=True)
            for name, value in (*sent.items(), ("content-length", str(len(body)))):
                if value is not None:
                    line.putheader(name, value)
            line.endheaders(body)
            answered = line.getresponse()
            return answered.status, answered.read(), answered.headers
        finally:
            line.close()

    def post(self, path: str, body: bytes, **headers: str | None) -> tuple[int, str]:
        """Its status, and the sentence where there is one."""
        status, said, _ = self.send("POST", path, body, **headers)
        return status, json.loads(said)["sentence"] if said else ""

    def answer(self, state: dict[str, Any], text: Any) -> tuple[int, str]:
        """Answer the question of a state."""
        sent = {"run": state["run"], "question": state["question"]["number"], "text": text}
        return self.post("/answer", json.dumps(sent).encode())

    def photograph(self, state: dict[str, Any], data: bytes, more: str = "") -> tuple[int, str]:
        """Send a photograph to the question of a state."""
        return self.post(f"/photograph?run={state['run']}&question={state['question']['number']}{more}", data)

    def states(self) -> States:
        """Hear what the run shows."""
        return States(self)


class States:
    """An open stream of states."""

    def __init__(self, client: Client) -> None:
        self.line = http.client.HTTPConnection(client.host, timeout=20)
        self.line.request("GET", "/events", headers={"host": client.host, "cookie": client.cookie})
        self.stream = self.line.getresponse()
        assert self.stream.status == 200

    def __enter__(self) -> States:
        return self

    def __exit__(self, *_: object) -> None:
        self.stream.close()
        self.line.close()

    def until(self, holds: Any) -> dict[str, Any]:
        """The first state of which it holds."""
        while True:
            line = self.stream.readline()
            assert line, "the stream ended"
            if line.startswith(b"data: {"):
                state: dict[str, Any] = json.loads(line[6:])
                if holds(state):
                    return state

    def asked(self, title: str = "") -> dict[str, Any]:
        """The first state with a question, of that title where one is given."""
        return self.until(lambda state: state["question"] and title in state["question"]["title"])
