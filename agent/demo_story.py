"""The demo's story in the terminal: what the dispatch side hears, in words, and what happens to the van meanwhile."""

from __future__ import annotations

import threading
from collections import Counter
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn

from agent.errors import MessageError
from agent.messages import decode_log
from agent.sites import site_uri
from agent.units import parse_utc

if TYPE_CHECKING:
    from agent.demo_day import DemoDay

_ZONE = ZoneInfo("Atlantic/Azores")
_NAMES_SHOWN = 3
_PLAIN_EVERY = 0.1


class Story:
    """Prints a line for each thing that happens, above a bar that shows how far the day has come."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._progress: Progress | None = None
        self._task: Any = None
        self._plain_at = 0.0
        self._client: mqtt.Client | None = None
        self._seen: set[tuple[int, int]] = set()
        self._names: dict[str, str] = {}
        self._sites: dict[str, str] = {}
        self._site_names: dict[str, str] = {}
        self._lock = threading.Lock()
        self._start_utc_s = 0.0
        self.corrections = 0

    def opening(self, demo: DemoDay) -> None:
        """The head of the story: the page's address first."""
        day = demo.day
        items = sum(",item," in line for line in day.register_csv.splitlines())
        self._console.print(f"\n[bold]Watch it live: {demo.address}[/bold]   (Ctrl-C ends everything)\n")
        self._console.print(
            f"Van van-07 of a stage-and-sound hire depot, day {demo.seed}: {len(day.stops)} stops, {items} tagged items. "
            f"{day.duration_s / 3600:.1f} hours at {demo.speed:g} times real time."
        )
        self._console.print(f"{demo.parts}\n")
        if self._console.is_terminal:
            self._progress = Progress(
                TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:.0f} %"), console=self._console
            )
            self._task = self._progress.add_task("the day", total=1.0)
            self._progress.start()

    def listen(self, port: int, demo: DemoDay) -> None:
        """Hear what the vehicle publishes, as the dispatch side does."""
        self._start_utc_s = demo.day.start_utc_s
        for site in demo.sites.values():
            self._sites[site_uri(site)] = site.name
            self._site_names[site.id] = site.name
        for line in demo.day.register_csv.splitlines()[1:]:
            epc, _, name = line.split(",")[:3]
            self._names[epc] = name
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

    def progress(self, share: float) -> None:
        """How far the day has come, 0 to 1."""
        share = min(share, 1.0)
        if self._progress is not None:
            self._progress.update(self._task, completed=share)
        elif not self._console.is_terminal and share >= self._plain_at + _PLAIN_EVERY:
            self._plain_at = share
            self._console.print(f"({share:.0%} of the day)")

    def note(self, text: str) -> None:
        """A line without a time."""
        self._console.print(escape(text))

    def world(self, now_s: float, text: str) -> None:
        """Something that happened to the van, as the simulated world knows."""
        self._line(self._start_utc_s + now_s, "·", text, style="dim")

    def _line(self, utc_s: float, mark: str, text: str, *, style: str = "") -> None:
        clock = datetime.fromtimestamp(utc_s, tz=UTC).astimezone(_ZONE).strftime("%H:%M")
        line = f"{clock} {mark} {escape(text)}"
        self._console.print(f"[{style}]{line}[/{style}]" if style else line)

    def _on_message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        # An exception here would end paho's thread and the story with it, so what is wrong is said instead.
        try:
            batch = decode_log(bytes(message.payload))
            with self._lock:
                self._tell([r for r in batch.records if (batch.epoch, r.seq) not in self._seen])
                self._seen |= {(batch.epoch, r.seq) for r in batch.records}
        except (MessageError, KeyError, ValueError) as error:
            self.note(f"(a message could not be told: {error})")

    def _tell(self, records: list[Any]) -> None:
        handled: dict[tuple[str, str, str], list[str]] = {}
        at: dict[tuple[str, str, str], float] = {}
        for record in records:
            body = msgspec.json.decode(record.body)
            if record.kind == "event":
                if "errorDeclaration" in body:
                    self.corrections += 1
                    continue
                step = body["bizStep"]
                if step in {"loading", "unloading"}:
                    key = (step, self._place(body), body["eventTime"][:13])
                    handled.setdefault(key, []).extend(body["childEPCs"])
                    at[key] = max(at.get(key, 0.0), parse_utc(body["eventTime"]))
                elif step == "arriving":
                    self._line(parse_utc(body["eventTime"]), "■", f"arrived at {self._place(body)}")
        for key, epcs in handled.items():
            done = "loaded" if key[0] == "loading" else "unloaded"
            self._line(at[key], "+" if done == "loaded" else "-", f"{done} at {key[1]}: {self._some(epcs)}")
        for record in records:
            if record.kind == "manifest":
                self._departed(msgspec.json.decode(record.body))

    def _departed(self, body: dict[str, Any]) -> None:
        if body["revision"] != 1:
            return
        site = self._site_names.get(body["departed"]["site"] or "", "a place that is no site")
        sure = "certain" if body["certain"] else "not yet sure"
        text = f"departed from {site} with {len(body['items'])} items ({sure})"
        for word in ("short", "over"):
            if body.get(word):
                text += f"; {word}: {len(body[word])}"
        self._line(parse_utc(body["departed"]["time"]), "►", text)

    def _place(self, body: dict[str, Any]) -> str:
        location = (body.get("bizLocation") or {}).get("id")
        return "a place that is no site" if location is None else self._sites.get(location, location)

    def _some(self, epcs: list[str]) -> str:
        kinds = Counter(self._names.get(epc, epc).rpartition(" ")[0] or epc for epc in epcs)
        if len(epcs) <= _NAMES_SHOWN:
            return ", ".join(self._names.get(epc, epc) for epc in epcs)
        return f"{len(epcs)} items ({', '.join(f'{n} {kind}' for kind, n in kinds.most_common(4))}{' …' if len(kinds) > 4 else ''})"  # noqa: PLR2004
