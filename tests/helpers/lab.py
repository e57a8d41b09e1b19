"""JupyterLab as `pullbook lab` starts it, for what looks at it in a browser."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from helpers.waiting import wait_until

# In the page: the notebook has run, and every part of it is drawn.
DRAWN = """() => { const parts = Array.from(document.querySelectorAll('.pb-part'));
    return parts.length > 20 && parts.every(e => !e.textContent.startsWith('Not connected')) }"""


def free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


def address_of(runtime: Path, server: subprocess.Popen[bytes], log: Path) -> str:
    """Wait for the server to say where it listens."""

    def told() -> list[str]:
        assert server.poll() is None, log.read_text(encoding="utf-8")
        return [text for path in runtime.glob("jpserver-*.json") if (text := path.read_text(encoding="utf-8"))]

    wait_until(told, "the server")
    info = json.loads(told()[0])
    return f"{info['url']}lab/tree/{{}}?token={info['token']}"


@contextmanager
def serving(folder: Path, home: Path) -> Iterator[str]:
    """Start the lab for an experiment, with its own places below ``home``; give the address of its notebook."""
    log = home / "log.txt"
    options = ["--no-browser", f"--ServerApp.port={free_port()}"] + ["--allow-root"] * (os.geteuid() == 0)
    places = {f"JUPYTER_{kind}_DIR": str(home / kind) for kind in ("DATA", "RUNTIME", "CONFIG")}
    with log.open("wb") as output:
        server = subprocess.Popen(
            [sys.executable, "-m", "pullbook.commands.cli", "lab", str(folder), "--", *options],
            env={**os.environ, **places, "IPYTHONDIR": str(home / "ipython")},
            stdout=output,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    try:
        address = address_of(home / "RUNTIME", server, log)
        yield address.format(next((home / "DATA" / "pullbook").glob(f"{folder.name}-*.ipynb")).name)
    finally:
        os.killpg(server.pid, signal.SIGKILL)
        server.wait()
