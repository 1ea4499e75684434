"""A server of one folder on this machine's loopback, in a process of its own.

Of its own because readers of rasters may wait for an answer without letting other threads run.
"""

from __future__ import annotations

import http.server
import re
import subprocess
import sys
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple


class Server(NamedTuple):
    """Where it answers, and the file in which it notes what it is asked for."""

    url: str
    notes: Path

    @property
    def asked(self) -> list[str]:
        """Paths that were asked for, in order."""
        return self.notes.read_text(encoding="utf-8").split()


@contextmanager
def serving(folder: Path, notes: Path) -> Generator[Server]:
    """Serve the files of `folder` while the block runs."""
    notes.touch()
    command = [sys.executable, __file__, str(folder), str(notes)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield Server(f"http://127.0.0.1:{process.stdout.readline().strip()}", notes)
        finally:
            process.terminate()


class _Handler(http.server.BaseHTTPRequestHandler):
    """Answers for parts of files too (RFC 9110, section 14), whatever folder is named.

    So a test can name one of its own: readers remember what they fetched before.
    """

    protocol_version = "HTTP/1.1"
    folder: Path
    notes: Path

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - named so by its parent
        """Say nothing."""

    def do_GET(self) -> None:
        """Note the path, and answer with the file or a part of it."""
        with self.notes.open("a", encoding="utf-8") as notes:
            notes.write(f"{self.path}\n")
        file = self.folder / self.path.rpartition("/")[2]
        content = file.read_bytes() if file.is_file() else b""
        part = re.fullmatch(r"bytes=(\d+)-(\d*)", self.headers.get("Range", ""))
        if part and content:
            first, last = int(part[1]), min(int(part[2] or len(content)), len(content) - 1)
            self.send_response(206)
            self.send_header("Content-Range", f"bytes {first}-{last}/{len(content)}")
            content = content[first : last + 1]
        else:
            self.send_response(200 if content else 404)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        if self.command == "GET":
            self.wfile.write(content)

    do_HEAD = do_GET  # noqa: N815 - named so by its parent


if __name__ == "__main__":
    _Handler.folder, _Handler.notes = Path(sys.argv[1]), Path(sys.argv[2])
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), _Handler) as server:
        print(server.server_port, flush=True)  # noqa: T201 - how the parent learns of it
        server.serve_forever()
