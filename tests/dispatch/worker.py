"""A process that only hears: `python -m tests.dispatch.worker DATABASE PORT CLIENT_ID [dies]`, until it is killed.

With `dies` it kills itself with SIGKILL when it has committed something and is about to acknowledge it.
"""

from __future__ import annotations

import os
import signal
import sys

from agent.clock import SystemClock
from agent.dispatch.connection import Broker
from agent.dispatch.ingest import Ingest
from agent.dispatch.store import open_store
from agent.dispatch.views import BrokerLink


def main() -> None:
    """Hear until killed, or until the end of our input; `ready` is written each time we have subscribed."""
    database, port, client_id, *dies = sys.argv[1:]
    store = open_store(database)

    def say(link: BrokerLink) -> None:
        if link.connected:
            sys.stdout.write("ready\n")
            sys.stdout.flush()

    running = Ingest(store, Broker(port=int(port), client_id=client_id), clock=SystemClock(), on_link=say)
    if dies:

        def die(vehicle: str) -> None:
            if store.acks(vehicle):
                os.kill(os.getpid(), signal.SIGKILL)

        running._publish_ack = die  # type: ignore[method-assign]  # to die at just that moment
    running.start()
    sys.stdin.read()
    running.close()
    store.close()


if __name__ == "__main__":
    main()
