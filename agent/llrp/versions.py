"""Which version of the protocol one connection speaks: 1.1 where the reader offers it, else 1.0.1. Pure.

A reader of 1.0.1 sees nothing of this: only one whose greeting has version 2 or more in its header is asked what it
speaks (GET_SUPPORTED_VERSION) and told to speak 1.1 (SET_PROTOCOL_VERSION). Both exist in 1.1 alone and have its
version in their headers. Whatever the reader refuses or leaves unanswered, 1.0.1 is spoken as ever.
"""

from __future__ import annotations

from msgspec.structs import replace

from agent.llrp import messages as m
from agent.llrp.codec import encode
from agent.llrp.states import Event, Send, State
from agent.llrp.tables import StatusCode

LLRP_1_0_1, LLRP_1_1 = 1, 2
NEGOTIATING = (State.ASKING_VERSION, State.SETTING_VERSION)


class Versions:
    """See the module. `speaks` stands in the header of all that is sent."""

    def __init__(self) -> None:
        self.speaks = LLRP_1_0_1

    def begin(self) -> None:
        """Another connection: nothing is agreed on."""
        self.speaks = LLRP_1_0_1

    def send(self, message: m.Message) -> Send:
        """The message in this version."""
        return Send(encode(replace(message, version=self.speaks)))

    def greeted(self, version: int) -> Event:
        """What a greeting of this version leads to."""
        if version < LLRP_1_1:
            return Event.GREETED
        self.speaks = LLRP_1_1
        return Event.OFFERED

    def heard(self, answer: m.Response) -> Event:
        """What an answer of the reader's to one of the two requests leads to."""
        is_refused = answer.llrp_status.status_code != StatusCode.M_Success
        if is_refused or (isinstance(answer, m.GetSupportedVersionResponse) and answer.supported_version < LLRP_1_1):
            return self.refused()
        return Event.ANSWERED

    def refused(self) -> Event:
        """The reader does not speak it after all."""
        self.speaks = LLRP_1_0_1
        return Event.REFUSED
