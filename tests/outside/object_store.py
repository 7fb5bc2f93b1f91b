"""A small object store on this computer, of folders and files: it lists files, and gives sizes and ranges of bytes.

Source: the parts of the S3 REST interface that a reader needs (ListObjectsV2, HeadObject, GetObject); from memory.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, unquote, urlsplit
from xml.sax.saxutils import escape

_DATE = "2026-05-28T20:26:40.000Z"


@contextmanager
def object_store(root: Path) -> Iterator[str]:
    """Serve folders as buckets; gives the address."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_HEAD(self) -> None:
            self._answer(with_body=False)

        def do_GET(self) -> None:
            self._answer(with_body=True)

        def _answer(self, *, with_body: bool) -> None:
            parts = urlsplit(self.path)
            query = parse_qs(parts.query)
            path = root / unquote(parts.path).strip("/")
            if "list-type" in query:
                self._send(200, self._listed(path, query.get("prefix", [""])[0]), {"Content-Type": "application/xml"})
                return
            if not path.is_file():
                body = b"<Error><Code>NoSuchKey</Code><Message>none</Message></Error>" if with_body else b""
                self._send(404, body, {"Content-Type": "application/xml"})
                return
            data = path.read_bytes()
            more = {"ETag": f'"{hashlib.md5(data).hexdigest()}"', "Last-Modified": formatdate(0, usegmt=True)}
            wanted = self.headers.get("Range")
            if wanted is None or not with_body:
                self._send(200, data, more, with_body=with_body)
                return
            first, _, last = wanted.removeprefix("bytes=").partition("-")
            start, stop = (int(first), min(int(last or len(data)) + 1, len(data))) if first else (-int(last), len(data))
            part = data[start:stop]
            more["Content-Range"] = f"bytes {start}-{stop - 1}/{len(data)}"
            self._send(206, part, more)

        def _listed(self, bucket: Path, prefix: str) -> bytes:
            files = sorted(one for one in bucket.rglob("*") if one.is_file())
            keys = [(one.relative_to(bucket).as_posix(), one.stat().st_size) for one in files]
            rows = "".join(
                f"<Contents><Key>{escape(key)}</Key><LastModified>{_DATE}</LastModified><ETag>e</ETag>"
                f"<Size>{size}</Size></Contents>"
                for key, size in keys
                if key.startswith(prefix)
            )
            return f"<ListBucketResult><IsTruncated>false</IsTruncated>{rows}</ListBucketResult>".encode()

        def _send(self, code: int, body: bytes, more: dict[str, str], *, with_body: bool = True) -> None:
            self.send_response(code)
            for name, value in {**more, "Content-Length": str(len(body))}.items():
                self.send_header(name, value)
            self.end_headers()
            if with_body:
                self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        server.daemon_threads = True
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_port}"
        finally:
            server.shutdown()
            thread.join()
