"""How the LLRP reader is known by its certificate: one place for the agent and for `check`; floor 3."""

from __future__ import annotations

import ssl

from agent.errors import ConfigError
from agent.records import Problem
from agent.vehicle import ReaderSettings


def reader_tls(settings: ReaderSettings) -> ssl.SSLContext | None:
    """How to know the reader by its certificate; None where it speaks plainly. Raises ConfigError for a bad file.

    Readers come with a certificate that they signed themselves, for a name that is not their address: with `ca_file`
    that certificate (or one that it signed) is trusted and no other, whatever name stands in it.
    """
    if not settings.tls:
        return None
    if settings.ca_file is None:
        return ssl.create_default_context()
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
    except (OSError, ssl.SSLError) as error:
        do = "give the reader's certificate as PEM (its web page has it)"
        raise ConfigError([Problem("vehicle file", "[reader] ca_file", f"{settings.ca_file}: {error}", do)]) from None
    context.check_hostname = False  # the certificate itself is what is known
    # Trusted as it stands, though it is nobody's authority and misses what a strict check asks of one.
    context.verify_flags = (context.verify_flags | ssl.VERIFY_X509_PARTIAL_CHAIN) & ~ssl.VERIFY_X509_STRICT
    return context
