"""Runs the server until the first Ctrl-C."""

from __future__ import annotations

import contextlib
import ipaddress
import secrets
import socket
from collections.abc import Callable
from typing import Any

import uvicorn

from sonify.errors import OutputError
from sonify.extras import require
from sonify.studio.document import Command
from sonify.studio.guard import Rights
from sonify.studio.server import application

__all__ = ["USUAL_PORT", "run"]

USUAL_PORT = 8437
"""The same at each start, because browsers keep projects by port (own choice; above 1023, so that
no rights are needed, and below the dynamic ports, which begin at 49152: RFC 6335, section 6)."""

_LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
MAX_CONNECTIONS = 900


class _Server(uvicorn.Server):
    """Stops at once, without waiting for connections and jobs."""

    def handle_exit(self, sig: int, frame: Any) -> None:
        self.should_exit = True
        self.force_exit = True


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def listen(host: str, port: int) -> socket.socket:
    """A listening socket.

    Raises
    ------
    OutputError
        The address or port is not available.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        sock = socket.create_server((host.strip("[]"), port), family=family, backlog=512)
        # connections inherit it; asyncio sets it only where a socket names its protocol. Without
        # it, the body of an answer waits up to 40 ms for the browser to acknowledge the head
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return sock
    except OSError as e:
        raise OutputError(
            f"can't listen on {host}:{port} ({e.strerror or e})",
            hint="give another {port}, or 0 for any free one" if port else "",
        ) from None


def run(
    start: dict[str, Any],
    host: str,
    port: int | None,
    ready: Callable[[str], None],
    command: Command,
) -> None:
    """Serve until interrupted.

    Parameters
    ----------
    start : dict
        The document that a page opens with.
    host, port
        Where to listen; port 0 means any free port, None the usual one, or any if that is taken.
    ready : callable
        Called with the page's address just before the server starts.
    command : callable
    """
    require("studio")
    if port is None:
        try:
            sock = listen(host, USUAL_PORT)
        except OutputError:
            sock = listen(host, 0)
    else:
        sock = listen(host, port)
    port = sock.getsockname()[1]
    local = is_loopback(host)
    token = None if local else secrets.token_urlsafe(18)
    names = {host, *_LOOPBACK} if local else {host, socket.gethostname(), *_LOOPBACK}
    rights = Rights.of(
        (f"[{n}]" if ":" in n and not n.startswith("[") else n for n in names),
        port, token, any_host=not local,
    )  # fmt: skip
    app, behind = application(start, rights, command)
    shown = host if host not in ("0.0.0.0", "::") else socket.gethostname()
    shown = f"[{shown}]" if ":" in shown and not shown.startswith("[") else shown
    address = f"http://{shown}:{port}/" + (f"?token={token}" if token else "")
    config = uvicorn.Config(
        app, log_level="critical", access_log=False, lifespan="on", ws="none", http="h11",
        timeout_keep_alive=15, limit_concurrency=MAX_CONNECTIONS, timeout_graceful_shutdown=1,
        server_header=False, date_header=False, h11_max_incomplete_event_size=32 * 1024,
    )  # fmt: skip
    _raise_file_limit()
    server = _Server(config)
    ready(address)
    try:
        server.run(sockets=[sock])
    except KeyboardInterrupt:
        pass
    finally:
        behind.close()
        with contextlib.suppress(OSError):
            sock.close()


def _raise_file_limit() -> None:
    """Allow as many open files as MAX_CONNECTIONS may need."""
    try:
        import resource
    except ImportError:
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = min(hard, 4096) if hard != resource.RLIM_INFINITY else 4096
    if soft < most:
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
