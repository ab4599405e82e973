"""A foreign dialect read by a mapping file: topic → node, picks → wake record, with factors, words and defaults."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any, Literal, NamedTuple

import msgspec
from jsonpath_ng import parse as parse_jsonpath
from jsonpath_ng.exceptions import JSONPathError

from fleet.errors import MessageError, SetupError
from fleet.messages import Asleep, BandSettings, Life, WakeRecord
from fleet.wire import Heard, Refused, hear_value
from fleet.wire_cbor import decode_cbor
from fleet.wire_senml import by_moment, resolve_senml
from fleet.words import SetAsideReason

MISSING: Any = object()
_PLAIN_PATH = re.compile(r"\$(\.[A-Za-z_][A-Za-z0-9_]*)+")
_NODE_NAME = re.compile(r"[A-Za-z0-9_.-]{1,64}")
_PARTS: dict[str, type[msgspec.Struct]] = {"asleep": Asleep, "set": BandSettings, "life": Life}
_TEXT_KEYS = ("cause", "life.word", "set.digest")

Format = Literal["json", "cbor", "senml-json", "senml-cbor", "csv", "json-lines", "parquet"]
FILE_FORMATS = ("csv", "json-lines", "parquet")


class Pick(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where one key of a wake record comes from, and how it is turned."""

    path: str | None = None
    factor: float | None = None
    offset: float | None = None
    words: dict[str, str] | None = None
    default: Any = None
    time: Literal["s", "iso8601"] | None = None
    derive: Literal["row"] | None = None


class Dialect(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One kind of foreign message or log."""

    name: str
    format: Format = "json"
    topic: str | None = None
    file: str | None = None
    records: str | None = None
    node: str | None = None
    arrived: str | Pick | None = None
    pick: dict[str, str | Pick]


class Mapping(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A mapping file."""

    version: Literal[1]
    dialect: list[Dialect]


class Found(NamedTuple):
    """What a dialect made of one payload: arrival per record, for logs know it themselves."""

    node: str
    at: float
    heard: list[Heard]
    refused: list[Refused]


class Field(NamedTuple):
    """One field of the explanation: the key, its path, what stood there, what it became."""

    key: str
    path: str
    found: Any
    value: Any


Getter = Callable[[Any], Any]


class Reader:
    """A dialect made ready: topic pattern and paths compiled."""

    def __init__(self, dialect: Dialect, where: str) -> None:
        self.dialect = dialect
        pattern = dialect.topic or dialect.file
        if pattern is None or (dialect.file is not None) != (dialect.format in FILE_FORMATS):
            raise SetupError(f"{where}: give `topic` for messages, or `file` for csv, json-lines and parquet logs.")
        if "{node}" not in pattern and dialect.node is None:
            raise SetupError(f"{where}: no node: put {{node}} into the pattern, or give `node` a path or a name.")
        self._pattern = re.compile(_pattern_text(pattern))
        self.filter = None if dialect.topic is None else re.sub(r"\{node\}", "+", dialect.topic)
        self._records = None if dialect.records is None else _compiled(dialect.records, where)
        self._node = _getter(dialect.node, where) if dialect.node and dialect.node.startswith("$") else None
        self._arrived = None if dialect.arrived is None else (_pick(dialect.arrived), _of(dialect.arrived, where))
        self._picks = [(key, _pick(given), _of(given, f"{where}, pick.{key}")) for key, given in dialect.pick.items()]
        for key in dialect.pick:
            _check_key(key, f"{where}, pick.{key}")

    def matches(self, topic: str) -> bool:
        """True for a topic or file of this dialect."""
        return self._pattern.fullmatch(topic) is not None

    def read(self, topic: str, payload: bytes, at: float) -> list[Found]:
        """Records of a payload, one `Found` for each node and arrival."""
        try:
            values = list(self.values(payload, at))
        except MessageError as why:
            return [Found("", at, [], [Refused(SetAsideReason(why.reason), str(why), payload)])]
        return [self._read_one(topic, value, payload, at) for value in values]

    def values(self, payload: bytes, at: float) -> Iterator[Any]:
        """The values that are one record each."""
        value = _decoded(self.dialect.format, payload, at)
        if self._records is not None:
            yield from (match.value for match in self._records.find(value))
        elif isinstance(value, list):
            yield from value
        else:
            yield value

    def _read_one(self, topic: str, value: Any, payload: bytes, at: float) -> Found:
        raw = payload if self._records is None and not isinstance(value, list) else msgspec.json.encode(value)
        try:
            node = self._node_of(topic, value)
            arrived = at
            if self._arrived is not None:
                stamp = _turned(*self._arrived, value)
                arrived = at if stamp is MISSING else float(stamp)
            record = _nested({field.key: field.value for field in self.fields(value) if field.value is not MISSING})
        except (MessageError, TypeError, ValueError, OverflowError) as why:
            return Found("", at, [], [Refused(SetAsideReason.NOT_VALID, f"{self.dialect.name}: {why}", raw)])
        one = hear_value(record, raw)
        if self._arrived is None and self.dialect.format in FILE_FORMATS and isinstance(one, Heard) and one.record.t:
            arrived = one.record.t  # a log from a memory card never arrived: its own clock has to do
        return Found(node, arrived, [one], []) if isinstance(one, Heard) else Found(node, arrived, [], [one])

    def _node_of(self, topic: str, value: Any) -> str:
        if self._node is not None:
            name = str(self._node(value))
        elif self.dialect.node is not None:
            name = self.dialect.node
        else:
            match = self._pattern.fullmatch(topic)
            name = match["node"] if match else ""
        if not _NODE_NAME.fullmatch(name):
            raise MessageError(f"node {name[:80]!r}: expected 1 to 64 letters, digits, _ . -")
        return name

    def fields(self, value: Any) -> list[Field]:
        """Each pick: what stood at its path and what it became (`MISSING` where it gives nothing)."""
        return [
            Field(key, pick.path or "", MISSING if get is None else get(value), _turned(pick, get, value))
            for key, pick, get in self._picks
        ]


def load_mapping(text: str, where: str) -> list[Reader]:
    """The dialects of a mapping file.

    Raises
    ------
    SetupError
        If it is not TOML, or holds an unknown key, record key or path.
    """
    try:
        mapping = msgspec.convert(tomllib.loads(text), Mapping)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as why:
        raise SetupError(f"{where}: {why}. The manual's chapter on mapping files lists all keys.") from why
    return [Reader(dialect, f"{where}: dialect {dialect.name!r}") for dialect in mapping.dialect]


def _pattern_text(pattern: str) -> str:
    """A topic pattern as a regular expression: {node} and + are one level, # the rest, * part of a file name."""
    parts = {"{node}": r"(?P<node>[^/]+)", "+": "[^/]+", "#": ".+", "*": "[^/]*"}
    return "".join(parts.get(piece, re.escape(piece)) for piece in re.split(r"(\{node\}|\+|#|\*)", pattern))


def _check_key(key: str, where: str) -> None:
    part, dot, name = key.partition(".")
    known = WakeRecord.__struct_fields__
    fits = (part == "reading" and name) or (part in _PARTS and name in _PARTS[part].__struct_fields__)
    if not (fits if dot else key in known and key not in ("reading", *_PARTS)):
        raise SetupError(f"{where}: no key of a wake record. Expected {', '.join(known)}, reading.NAME or set.NAME.")


def _pick(given: str | Pick) -> Pick:
    return Pick(path=given) if isinstance(given, str) else given


def _of(given: str | Pick, where: str) -> Getter | None:
    pick = _pick(given)
    if pick.path is None and pick.derive is None and pick.default is None:
        raise SetupError(f"{where}: give `path`, `derive` or `default`.")
    return _getter("$.row__" if pick.derive else pick.path, where) if pick.path or pick.derive else None


def _getter(path: str | None, where: str) -> Getter:
    """A function that gives what stands at a path, MISSING if nothing does; plain paths need no library."""
    path = path or "$"
    if _PLAIN_PATH.fullmatch(path):
        keys = path.split(".")[1:]

        def walk(value: Any) -> Any:
            for key in keys:
                if not isinstance(value, dict) or key not in value:
                    return MISSING
                value = value[key]
            return value

        return walk
    expression = _compiled(path, where)

    def find(value: Any) -> Any:
        matches = expression.find(value)
        return matches[0].value if matches else MISSING

    return find


def _compiled(path: str, where: str) -> Any:
    try:
        return parse_jsonpath(path)
    except (JSONPathError, ValueError, AttributeError) as why:
        raise SetupError(f"{where}: path {path!r}: {why}. Expected something like $.status.battery.") from why


def _decoded(kind: Format, payload: bytes, at: float) -> Any:
    if kind in ("cbor", "senml-cbor"):
        value = decode_cbor(payload)
    else:
        try:
            value = msgspec.json.decode(payload)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as why:
            raise MessageError(str(why), SetAsideReason.NOT_JSON) from why
    return by_moment(resolve_senml(value, at)) if kind.startswith("senml") else value


def _turned(pick: Pick, get: Getter | None, value: Any) -> Any:
    """What a pick makes of a value."""
    found = MISSING if get is None else get(value)
    if found is MISSING or found is None or found == "":
        return MISSING if pick.default is None else pick.default
    if pick.words is not None:
        return pick.words.get(str(found), found if pick.default is None else pick.default)
    if pick.time == "iso8601":
        moment = datetime.fromisoformat(str(found))
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
    if pick.factor is not None or pick.offset is not None or pick.time is not None:
        return float(found) * (1.0 if pick.factor is None else pick.factor) + (pick.offset or 0.0)
    return found


def _nested(flat: dict[str, Any]) -> dict[str, Any]:
    """`set.lo` → an object in an object; numbers that a log wrote as text become numbers."""
    record: dict[str, Any] = {}
    for key, value in flat.items():
        if isinstance(value, str) and key not in _TEXT_KEYS:
            value = float(value)  # a CSV cell
        elif key in _TEXT_KEYS:
            value = str(value)  # a cause given as a number
        part, dot, name = key.partition(".")
        if dot:
            record.setdefault(part, {})[name] = value
        else:
            record[key] = value
    return record


def left_over(reader: Reader, value: Any) -> list[str]:
    """Top-level keys that no pick looks at.

    >>> text = 'version=1\\n[[dialect]]\\nname="x"\\ntopic="a/{node}"\\n[dialect.pick]\\nseq="$.n"'
    >>> left_over(load_mapping(text, "here")[0], {"n": 1, "colour": "red"})
    ['colour']
    """
    if not isinstance(value, dict):
        return []
    paths = [pick.path or "" for _, pick, _ in reader._picks]
    paths += [reader.dialect.node or "", _pick(reader.dialect.arrived).path or "" if reader.dialect.arrived else ""]
    looked = {re.split(r"[.\[]", path.removeprefix("$").lstrip(".["), maxsplit=1)[0].strip("'\"]") for path in paths}
    return [key for key in value if key not in looked and key != "row__"]
