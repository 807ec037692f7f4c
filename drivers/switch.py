"""The switch that moves signals between paths, by SCPI."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from drivers.commands import SWITCH
from drivers.remote import Remote
from harness.errors import ConfigError
from harness.link.link import Link

if TYPE_CHECKING:
    from harness.models import Switch

_CHANNEL_LIST: Final = re.compile(r"\(@[\d!:, ]+\)")  # SCPI-1999, Volume 1, 8.3.2


class ScpiSwitch(Remote):
    """A switch: everything opens before anything closes, so that two sources never meet."""

    def __init__(self, link: Link, model: Switch) -> None:
        super().__init__(link, "switch", SWITCH, model.commands)

    def route(self, channel_list: str) -> None:
        """Close just these channels."""
        if not _CHANNEL_LIST.fullmatch(channel_list):
            raise ConfigError(f"route {channel_list!r} is no channel list; expected one such as '(@101)' or '(@1,3:5)'")
        self.establish(
            self.commands.message(
                self.commands.text("open_all"), self.commands.text("close", channel_list=channel_list)
            ),
            held=self.commands.read_backs("close", channel_list=channel_list),
        )

    def open(self) -> None:
        """Open every channel."""
        self.establish(self.commands.text("open_all"))
