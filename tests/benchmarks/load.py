"""Clients that ask a server over and over: the load of `service.py`, in a process of its own.

In: an address, a file of questions, how many clients and for how many seconds.
Out: one line of JSON: answers, errors by kind, milliseconds of each answer, those the server says it
    took, bytes, and the processor's time of the clients.

One thread serves all clients and parses no more than an answer's frame, so that little of the machine goes
to asking. Each client keeps one connection, asks a question, waits for the whole answer and asks the
next. Every answer is looked at: status 200, whole, and one of the endings that a whole answer has; one in
`CHECKED` is read as JSON too.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import re
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

__all__ = ["Told", "ask_over_and_over", "question"]

CHECKED = 50
_TIMED = re.compile(r"\s*([\w-]+)\s*;\s*(?:dur=([\d.]+)|desc=\"(\d+)\")")


@dataclass
class Told:
    """What the clients saw.

    took_ms
        From the first byte of a question to the last of its answer.
    server_ms
        By name, what the header Server-Timing says: milliseconds, and how many were planned together.
    """

    took_ms: list[float] = field(default_factory=list)
    server_ms: dict[str, list[float]] = field(default_factory=dict)
    errors: Counter[str] = field(default_factory=Counter)
    features: list[int] = field(default_factory=list)
    received: int = 0


def question(path: str, body: Any = None, *, host: str) -> bytes:
    """Return the bytes of a question: GET, or POST of JSON where there is a body."""
    head = [f"{'GET' if body is None else 'POST'} {path} HTTP/1.1", f"Host: {host}"]
    head.append("Accept: application/geo+json, application/json")
    content = b""
    if body is not None:
        content = json.dumps(body).encode()
        head += ["Content-Type: application/json", f"Content-Length: {len(content)}"]
    return "\r\n".join([*head, "", ""]).encode() + content


async def _answer(reader: asyncio.StreamReader) -> tuple[int, dict[str, str], bytes]:
    """Read one answer: status, headers in small letters, content."""
    head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
    headers = {
        name.lower(): value.strip() for name, _, value in (line.partition(":") for line in head[1:] if line)
    }
    if "chunked" in headers.get("transfer-encoding", ""):
        parts = []
        while size := int((await reader.readuntil(b"\r\n")).split(b";")[0], 16):
            parts.append((await reader.readexactly(size + 2))[:-2])
        await reader.readuntil(b"\r\n")
        content = b"".join(parts)
    elif "content-length" in headers:
        content = await reader.readexactly(int(headers["content-length"]))
    else:
        content = await reader.read()
    return int(head[0].split()[1]), headers, content


async def _client(
    address: tuple[str, int], questions: list[bytes], until: float, seed: int, told: Told
) -> None:
    """One client: asks until the time is over; a lost connection counts as an error and is made anew."""
    choose = random.Random(seed)
    streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
    while time.monotonic() < until:
        asked = choose.choice(questions)
        begun = time.perf_counter()
        try:
            if streams is None:
                streams = await asyncio.open_connection(*address, limit=2**26)
            reader, writer = streams
            writer.write(asked)
            status, headers, content = await asyncio.wait_for(_answer(reader), 60.0)
        except (OSError, asyncio.IncompleteReadError, TimeoutError, ValueError) as error:
            told.errors[type(error).__name__] += 1
            if streams is not None:
                streams[1].close()
            streams = None
            await asyncio.sleep(0.05)
            continue
        told.took_ms.append((time.perf_counter() - begun) * 1000.0)
        told.received += len(content)
        for name, milliseconds, number in _TIMED.findall(headers.get("server-timing", "")):
            told.server_ms.setdefault(name, []).append(float(milliseconds or number))
        if status != 200:
            told.errors[f"status {status}"] += 1
        elif not content.rstrip().endswith(b"}"):
            told.errors["not whole"] += 1
        elif len(told.took_ms) % CHECKED == 0:
            _read(content, told)
        if headers.get("connection", "").lower() == "close":
            writer.close()
            streams = None
    if streams is not None:
        streams[1].close()


def _read(content: bytes, told: Told) -> None:
    """Count the features of an answer; what is no collection is an error."""
    try:
        told.features.append(len(json.loads(content)["features"]))
    except (ValueError, KeyError, TypeError):
        told.errors["not a collection"] += 1


async def ask_over_and_over(
    base: str, questions: list[bytes], *, clients: int, seconds: float, seed: int = 7
) -> Told:
    """Let some clients ask some questions, each in an order of its own, for some seconds.

    Parameters
    ----------
    base
        Address of the server.
    questions
        Bytes as `question` makes them.
    clients, seconds, seed
        How many at once, how long, and the order.

    Returns
    -------
    Told
    """
    parts = urlsplit(base)
    told = Told()
    until = time.monotonic() + seconds
    address = (parts.hostname or "127.0.0.1", parts.port or 80)
    await asyncio.gather(
        *(_client(address, questions, until, seed * 1000 + number, told) for number in range(clients))
    )
    return told


def main() -> None:
    """Ask, and print what was told."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("base")
    parser.add_argument("questions", type=Path, help="JSON: a list of paths, or of a path and a body")
    parser.add_argument("--clients", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=7)
    arguments = parser.parse_args()
    host = urlsplit(arguments.base).netloc
    asked = [
        question(*([one] if isinstance(one, str) else one), host=host)
        for one in json.loads(arguments.questions.read_text("utf-8"))
    ]
    used = time.process_time()
    told = asyncio.run(
        ask_over_and_over(
            arguments.base, asked, clients=arguments.clients, seconds=arguments.seconds, seed=arguments.seed
        )
    )
    json.dump(
        {
            "took_ms": told.took_ms,
            "server_ms": told.server_ms,
            "errors": told.errors,
            "features": told.features,
            "received": told.received,
            "processor_s": time.process_time() - used,
        },
        sys.stdout,
    )


if __name__ == "__main__":
    main()
