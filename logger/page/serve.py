"""Serve the page over HTTP until somebody ends it."""

import contextlib
import socket

import uvicorn
from starlette.types import ASGIApp

MOST_AT_ONCE = 40
"""Requests; more are answered with 503. Common practice, no source."""


def server(app: ASGIApp) -> uvicorn.Server:
    """Return what serves an app; nothing is logged of what is asked, for an address may hold the token."""
    return uvicorn.Server(
        uvicorn.Config(
            app,
            access_log=False,
            log_level="warning",
            server_header=False,
            proxy_headers=False,
            lifespan="off",
            loop="asyncio",
            http="h11",
            ws="none",
            limit_concurrency=MOST_AT_ONCE,
            timeout_graceful_shutdown=3,
        )
    )


def serve(app: ASGIApp, listening: socket.socket) -> None:
    """Serve until SIGINT or SIGTERM."""
    with contextlib.suppress(KeyboardInterrupt):
        server(app).run(sockets=[listening])
