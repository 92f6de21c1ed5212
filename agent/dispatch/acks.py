"""The retained `ack` of each vehicle: what the broker keeps of it never stays behind what is committed.

Several processes may take in one vehicle's records and each tells what it finds committed. One that read before another
committed may reach the broker after it, and its older word would stay. So each looks again when the broker has
confirmed its word: what was committed until then it tells anew, and what is committed later, whoever commits it tells
after that. Used by one thread, but for `forget`.
"""

from __future__ import annotations

from collections.abc import Callable

import paho.mqtt.client as mqtt

from agent.dispatch.store import DispatchStore
from agent.messages import Ack, encode_acks


class Acks:
    """See the module. `publish` sends a vehicle's payload; None where there is no connection to send it by."""

    def __init__(self, store: DispatchStore, publish: Callable[[str, bytes], mqtt.MQTTMessageInfo | None]) -> None:
        self._store = store
        self._publish = publish
        self._on_their_way: dict[str, tuple[tuple[Ack, ...], mqtt.MQTTMessageInfo]] = {}

    @property
    def are_on_their_way(self) -> bool:
        """Whether the broker has yet to confirm one."""
        return bool(self._on_their_way)

    def tell(self, vehicle: str) -> None:
        """Publish what is committed of a vehicle's records. Raises StoreError."""
        told = self._store.told(vehicle)
        if not told:
            return
        sent = self._publish(vehicle, encode_acks(told))
        if sent is not None and sent.rc == mqtt.MQTT_ERR_SUCCESS:
            self._on_their_way[vehicle] = (told, sent)

    def look(self) -> None:
        """Where the broker has confirmed one, tell it again if it is old by now. Raises StoreError."""
        for vehicle, (told, sent) in list(self._on_their_way.items()):
            if sent.is_published():
                if self._store.told(vehicle) != told:
                    self.tell(vehicle)
                else:
                    self._on_their_way.pop(vehicle, None)

    def forget(self) -> None:
        """The connection has ended; the next one begins with all of them."""
        self._on_their_way.clear()
