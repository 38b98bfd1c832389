"""Twisted's reactor on asyncio, on uvloop where that installs."""

import asyncio
from typing import Any


def install() -> Any:
    """Install the reactor, once a process and before anything imports it; gives the reactor."""
    from twisted.internet import asyncioreactor

    try:
        import uvloop

        loop: asyncio.AbstractEventLoop = uvloop.new_event_loop()
    except ImportError:  # uvloop has no build for every platform
        loop = asyncio.new_event_loop()
    asyncio.set_event_loop(loop)
    asyncioreactor.install(loop)  # type: ignore[no-untyped-call]
    from twisted.internet import reactor

    return reactor
