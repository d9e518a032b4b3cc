"""An S3 server on this machine, with trouble that a test asks for: throttled, slow, cut off, reset, lost answers."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import boto3
from moto.moto_server.werkzeug_app import DomainDispatcherApplication, create_backend_app
from werkzeug.serving import WSGIRequestHandler, make_server

KEY, SECRET = "AKIAFAKEFORTESTS0000", "fake/secret+of+the/tests0000000000000000"
SLOW_DOWN = b"<?xml version='1.0'?><Error><Code>SlowDown</Code><Message>Reduce your rate.</Message></Error>"
REFUSED = (
    "<?xml version='1.0'?><Error><Code>SignatureDoesNotMatch</Code><Message>no</Message>"
    f"<AWSAccessKeyId>{KEY}</AWSAccessKeyId><StringToSign>{SECRET}</StringToSign></Error>"
).encode()


@dataclass
class Trouble:
    """What happens to the next `times` requests of `method` whose path holds `part`."""

    kind: str
    method: str
    part: str
    times: int
    seconds: float = 0.0
    meet: Callable[[], None] = lambda: None
    met: int = 0

    def fits(self, method: str, path: str) -> bool:
        return self.met < self.times and method == self.method and self.part in path


@dataclass
class Server:
    """The server: `asked` is every request that came, `signed_by` the keys in its order, `troubles` what goes wrong."""

    troubles: list[Trouble] = field(default_factory=list)
    asked: list[tuple[str, str]] = field(default_factory=list)
    signed_by: list[str] = field(default_factory=list)
    url: str = ""
    bucket: str = ""

    def start(self) -> None:
        app = DomainDispatcherApplication(create_backend_app)
        lock = threading.Lock()

        def troubled(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
            method = environ["REQUEST_METHOD"]
            path = environ["PATH_INFO"] + "?" + environ["QUERY_STRING"]
            with lock:
                self.asked.append((method, path))
                self.signed_by.append(_key(environ.get("HTTP_AUTHORIZATION", "")))
                trouble = next((one for one in self.troubles if one.fits(method, path)), None)
                if trouble is not None:
                    trouble.met += 1
            if trouble is None:
                return app(environ, start_response)
            trouble.meet()
            return _trouble(trouble, app, environ, start_response)

        self._server = make_server("127.0.0.1", 0, troubled, threaded=True, request_handler=_Quiet)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        ).start()

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()

    def client(self) -> Any:
        return boto3.client(
            "s3",
            endpoint_url=self.url,
            region_name="us-east-1",
            aws_access_key_id=KEY,
            aws_secret_access_key=SECRET,
        )

    def goes_wrong(self, kind: str, method: str, part: str, times: int = 1, **more: Any) -> Trouble:
        """Have such requests go wrong in one of the kinds of `_trouble`, or only `meet` them."""
        trouble = Trouble(kind, method, part, times, **more)
        self.troubles.append(trouble)
        return trouble

    def upload(self, folder: Path, bucket: str, prefix: str) -> None:
        """Put every file of a folder, in the order of its name."""
        for path in sorted(p for p in folder.rglob("*") if p.is_file()):
            self.client().put_object(
                Bucket=bucket, Key=f"{prefix}/{path.relative_to(folder)}", Body=path.read_bytes()
            )

    def put_back(self, objects: dict[str, bytes], prefix: str) -> None:
        """Put objects below the prefix."""
        client = self.client()
        for name, content in objects.items():
            client.put_object(Bucket=self.bucket, Key=f"{prefix}/{name}", Body=content)

    def objects(self, bucket: str, prefix: str = "") -> dict[str, bytes]:
        """Return every object below the prefix, by its name from there on."""
        client, found = self.client(), {}
        for page in client.get_paginator("list_objects_v2").paginate(Bucket=bucket, Prefix=prefix):
            for one in page.get("Contents", []):
                body = client.get_object(Bucket=bucket, Key=one["Key"])["Body"].read()
                found[one["Key"].removeprefix(prefix).removeprefix("/")] = body
        return found


def _key(authorization: str) -> str:
    """The access key that a request is signed with."""
    return authorization.partition("Credential=")[2].partition("/")[0]


def _trouble(trouble: Trouble, app: Any, environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
    if trouble.kind in ("slow_down", "refused"):
        status, body = {
            "slow_down": ("503 Slow Down", SLOW_DOWN),
            "refused": ("403 Forbidden", REFUSED),
        }[trouble.kind]
        environ["wsgi.input"].read(int(environ.get("CONTENT_LENGTH") or 0))
        start_response(status, [("Content-Type", "application/xml"), ("Content-Length", str(len(body)))])
        return [body]
    if trouble.kind == "careless":  # as servers that don't know this condition
        environ.pop("HTTP_IF_MATCH", None)
    if trouble.kind == "slow":
        time.sleep(trouble.seconds)
    if trouble.kind == "reset":
        _hang_up(environ)
        return []
    if trouble.kind in ("cut_off", "short", "answer_lost"):
        told: dict[str, Any] = {}
        body = b"".join(
            app(environ, lambda status, headers, *rest: told.update(status=status, headers=headers))
        )
        if trouble.kind == "cut_off":
            start_response(told["status"], told["headers"])
            return _half(body, environ)
        if trouble.kind == "short":  # a whole answer, as far as HTTP can tell
            half = body[: len(body) // 2]
            kept = [(name, value) for name, value in told["headers"] if name.lower() != "content-length"]
            start_response(told["status"], [*kept, ("Content-Length", str(len(half)))])
            return [half]
        _hang_up(environ)
        return []
    return app(environ, start_response)


def _half(body: bytes, environ: dict[str, Any]) -> Iterable[bytes]:
    yield body[: len(body) // 2]
    _hang_up(environ)


def _hang_up(environ: dict[str, Any]) -> None:
    with contextlib.suppress(OSError):
        environ["werkzeug.socket"].shutdown(socket.SHUT_RDWR)


class _Quiet(WSGIRequestHandler):
    def log(self, type: str, message: str, *args: Any) -> None:
        pass
