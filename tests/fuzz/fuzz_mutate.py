"""Mutations of good documents: of bytes, lines, words, numbers and JSON trees, several on top of each other."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable, Sequence
from typing import Any

WORDS = re.compile(rb"[A-Za-z0-9_.+*/%^-]+")
NUMBERS = re.compile(rb"-?[0-9][0-9.eE+]*")
EXTREME = (
    b"0", b"-1", b"1", b"255", b"256", b"65536", b"2147483648", b"4294967295", b"9223372036854775807", b"-0.0",
    b"18446744073709551616", b"1e308", b"1e309", b"-1e999", b"1e-400", b"nan", b"inf", b"NaN", b"Infinity", b"0x1F",
    b"0o17", b"012", b"1_000", b"12:30", b"9" * 30, b"9" * 5000, b"0." + b"1" * 400, b"1e" + b"9" * 50,
)  # fmt: skip
HOSTILE = (
    b"\x00", b"\x1b[2J", b"\x1b]0;x\x07", b"\xff\xfe", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\xe2\x80\xae", b"\x85",
    b"\xe2\x80\xa8", b"\r", b"\r\n", b"\n", b"\t", b"\\", b'"', b"'", b"`", b"<script>", b"</script>", b"]]>", b"&lt;",
    b"{{7*7}}", b"%(x)s", b"${x}", b"../../../etc/passwd", b"/dev/zero", b"file:///etc/passwd", b"!!python/object:x",
    b"&a ", b"*a", b"<<: ", b"---\n", b"...\n", b"? ", b"| \n", b"#", b";", b"=", b":", b",", b"%00", b"con", b"nul",
)  # fmt: skip
OPENING = (b"[", b"{", b"(", b"- ", b'{"a":', b"  ", b"[[", b"{a: ", b"!")
LONGEST = 40_000


def mutated(rng: random.Random, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    """A document made from one of the seeds by one to a few mutations. words: of the format, to be put anywhere."""
    data = rng.choice(seeds)
    # One in fifty is the seed itself: a parser that refuses everything is found by this.
    steps = 0 if rng.random() < 0.02 else 1 + int(rng.expovariate(0.7))
    for _ in range(min(steps, 8)):
        data = rng.choice(_ALL)(rng, data, seeds, words)[:LONGEST]
    return data


def _span(rng: random.Random, data: bytes, longest: int = 32) -> tuple[int, int]:
    start = rng.randint(0, len(data))
    return start, min(len(data), start + rng.randint(0, longest))


def _flip(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    if not data:
        return bytes((rng.randrange(256),))
    at = rng.randrange(len(data))
    return data[:at] + bytes((data[at] ^ (1 << rng.randrange(8)),)) + data[at + 1 :]


def _bytes(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    start, end = _span(rng, data, 4)
    return data[:start] + rng.randbytes(rng.randint(0, 6)) + data[end:]


def _cut(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    start, end = _span(rng, data, 200)
    return data[:start] + data[end:]


def _truncate(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    return data[: rng.randint(0, len(data))]


def _repeat(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    start, end = _span(rng, data, 60)
    times = rng.choice((2, 2, 2, 3, 50, 1000))
    return data[:start] + data[start:end] * times + data[end:]


def _splice(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    other = rng.choice(seeds)
    start, end = _span(rng, other, 400)
    at, till = _span(rng, data, 400)
    return data[:at] + other[start:end] + data[till:]


def _insert(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    at = rng.randint(0, len(data))
    return data[:at] + rng.choice((*HOSTILE, *words)) + data[at:]


def _line(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    lines = data.split(b"\n")
    at, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    match rng.randrange(6):
        case 0:
            lines.insert(other, lines[at])  # a repeated key
        case 1:
            del lines[at]
        case 2:
            lines[at], lines[other] = lines[other], lines[at]
        case 3:
            lines[at] = b" " * rng.randint(0, 6) + lines[at].lstrip()
        case 4:
            lines[at : at + 1] = lines[at : at + 1] * rng.choice((2, 3, 200))
        case _:
            lines[at] = lines[at] + lines[other]
    return b"\n".join(lines)


def _replace(rng: random.Random, data: bytes, pattern: re.Pattern[bytes], choose: Callable[[bytes], bytes]) -> bytes:
    found = list(pattern.finditer(data))
    if not found:
        return data
    match = rng.choice(found)
    return data[: match.start()] + choose(match[0]) + data[match.end() :]


def _word(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    others = WORDS.findall(rng.choice(seeds)) or [b"x"]
    choice = rng.choice((rng.choice(others), rng.choice((*words, b"")), rng.choice(HOSTILE), rng.choice(EXTREME)))
    return _replace(rng, data, WORDS, lambda _: choice)


def _number(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    return _replace(rng, data, NUMBERS, lambda _: rng.choice(EXTREME))


def _digit(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    return _replace(rng, data, re.compile(rb"[0-9]"), lambda _: b"%d" % rng.randrange(10))


def _nest(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    at = rng.randint(0, len(data))
    return data[:at] + rng.choice(OPENING) * rng.choice((1, 5, 14, 40, 2000)) + data[at:]


def _tree(rng: random.Random, data: bytes, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    """A JSON document, or one line of JSON lines, with another value, key or level somewhere in its tree."""
    lines = data.split(b"\n")
    at = rng.randrange(len(lines))
    try:
        tree = json.loads(lines[at])
    except (ValueError, RecursionError):
        return _flip(rng, data, seeds, words)
    holder = [tree]
    places = list(_places(holder))
    inside, key = rng.choice(places)
    _edit(rng, inside, key, [container[name] for container, name in places[:200]])
    try:
        text = "\n".join(json.dumps(each, separators=(",", ":"), ensure_ascii=rng.random() < 0.5) for each in holder)
    except (ValueError, RecursionError):  # a container inside itself
        return data
    lines[at] = text.encode("utf-8", "surrogatepass")
    return b"\n".join(lines)


def _places(node: Any) -> Any:
    """Every (container, key) of a tree."""
    for key in range(len(node)) if isinstance(node, list) else list(node):
        yield node, key
        if isinstance(node[key], list | dict):
            yield from _places(node[key])


VALUES = (
    None, True, False, 0, -1, 1, 2**31, 2**63, 2**64, 10**30, 1e308, -1e-300, 0.5, "", "x", "nan", "-inf", "\x00",
    "\x1b[31m", "\ud800", "\u202e", "<script>alert(1)</script>", "a" * 3000, "../x", [], {}, [[]], [0] * 50, {"": 0},
    {"a": {"b": []}}, "angle", "pass", "knee", "leg.yaml", "x.parquet", "17", "--5", "00",
)  # fmt: skip


def _edit(rng: random.Random, inside: Any, key: Any, others: Sequence[Any]) -> None:
    value = rng.choice((rng.choice(VALUES), rng.choice(others)))
    match rng.randrange(6):
        case 0 | 1 | 2:
            inside[key] = value
        case 3:
            del inside[key]
        case 4 if isinstance(inside, dict):
            inside[rng.choice(("x", "", "test", "kind", "0", "--5", "\u0660"))] = inside.pop(key)
        case 4:
            inside.insert(key, value)
        case _:
            for _ in range(rng.choice((1, 3, 40))):
                inside[key] = [inside[key]] if rng.random() < 0.5 else {"a": inside[key]}


_ALL = (
    _flip, _flip, _bytes, _cut, _truncate, _repeat, _splice, _splice, _insert, _insert, _line, _line, _line, _word,
    _word, _word, _number, _number, _digit, _digit, _nest, _tree, _tree, _tree, _tree,
)  # fmt: skip
