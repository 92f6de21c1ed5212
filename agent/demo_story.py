"""The demo's story in the terminal: what the dispatch side hears, in words, and what happens to the van meanwhile."""

from __future__ import annotations

import csv
import io
import textwrap
import threading
from typing import TYPE_CHECKING, Any

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

from agent.demo_words import Narrator, clock
from agent.errors import MessageError
from agent.messages import decode_log
from agent.sites import site_uri

if TYPE_CHECKING:
    from agent.demo_day import DemoDay

_PLAIN_EVERY = 0.1
_INDENT = " " * 8


class Story:
    """Prints a line for each thing that happens, above a bar that shows how far the day has come.

    A line's time is when it happened; what only became known later has the time of the telling.
    """

    def __init__(self, console: Console) -> None:
        self._console = console
        self._progress: Progress | None = None
        self._task: Any = None
        self._plain_at = 0.0
        self._client: mqtt.Client | None = None
        self._seen: set[tuple[int, int]] = set()
        self._lock = threading.Lock()
        self._start_utc_s = 0.0
        self._now_s = 0.0
        self.narrator = Narrator(sites={}, names={})

    def opening(self, demo: DemoDay) -> None:
        """The head of the story: the page's address first."""
        day = demo.day
        items = sum(",item," in line for line in day.register_csv.splitlines())
        self._console.print(f"\n[bold]Watch it live: {demo.address}[/bold]   (Ctrl-C ends everything)\n")
        self.note(
            f"Van van-07 of a stage-and-sound hire depot, day {demo.seed}: {len(day.stops)} stops, {items} tagged"
            f" items. {day.duration_s / 3600:.1f} hours at {demo.speed:g} times real time."
        )
        self.note(f"{demo.parts}\n")
        if self._console.is_terminal:
            columns = TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:.0f} %")
            self._progress = Progress(*columns, console=self._console)
            self._task = self._progress.add_task(clock(self._start_utc_s), total=1.0)
            self._progress.start()

    def listen(self, port: int, demo: DemoDay) -> None:
        """Hear what the vehicle publishes, as the dispatch side does."""
        self._start_utc_s = demo.day.start_utc_s
        sites = {key: site.name for site in demo.sites.values() for key in (site.id, site_uri(site))}
        register = csv.DictReader(io.StringIO(demo.day.register_csv))
        self.narrator = Narrator(sites=sites, names={row["epc"]: row["name"] for row in register})
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="roadtally-demo-story")
        client.on_connect = lambda client, *_: client.subscribe("roadtally/1/+/log", qos=1)
        client.on_message = self._on_message
        client.connect("127.0.0.1", port)
        client.loop_start()
        self._client = client

    def deafen(self) -> None:
        """Stop hearing."""
        if self._client is not None:
            self._client.disconnect()
            self._client.loop_stop()
            self._client = None

    def close(self) -> None:
        """End the bar; printing goes on."""
        if self._progress is not None:
            self._progress.stop()
            self._progress = None

    def progress(self, now_s: float, duration_s: float) -> None:
        """How far the day has come."""
        self._now_s = now_s
        share = min(now_s / duration_s, 1.0)
        time = clock(self._start_utc_s + now_s)
        if self._progress is not None:
            self._progress.update(self._task, completed=share, description=time)
        elif not self._console.is_terminal and share >= self._plain_at + _PLAIN_EVERY:
            self._plain_at = share
            self._console.print(f"{time}   ({share:.0%} of the day)")

    def note(self, text: str) -> None:
        """A line without a time."""
        self._console.print(text, markup=False)

    def world(self, now_s: float, text: str) -> None:
        """Something that happened to the van, as the simulated world knows."""
        self._line(self._start_utc_s + now_s, "·", text, style="dim")

    def _line(self, utc_s: float, mark: str, text: str, *, style: str | None = None) -> None:
        line = f"{clock(utc_s)} {mark} {text}"
        if self._console.is_terminal:
            line = textwrap.fill(line, self._console.width, subsequent_indent=_INDENT, break_on_hyphens=False)
        self._console.print(line, style=style, markup=False)

    def _on_message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        # An exception here would end paho's thread and the story with it, so what is wrong is said instead.
        try:
            batch = decode_log(bytes(message.payload))
            with self._lock:
                new = [r for r in batch.records if (batch.epoch, r.seq) not in self._seen]
                self._seen |= {(batch.epoch, r.seq) for r in batch.records}
                for sentence in self.narrator.tell([(r.kind, msgspec.json.decode(r.body)) for r in new]):
                    if sentence.utc_s is None:
                        self._line(self._start_utc_s + self._now_s, sentence.mark, sentence.text, style="dim")
                    else:
                        self._line(sentence.utc_s, sentence.mark, sentence.text)
        except (MessageError, KeyError, ValueError) as error:
            self.note(f"(a message could not be told: {error})")
