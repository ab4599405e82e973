"""The nodes' order keys: one file a node, mode 0600, `NODE-GENERATION KEY` in one line.

A key is never printed but by an explicit export, and never stands in the database.
"""

from __future__ import annotations

import os
import re
import secrets
import stat
from pathlib import Path

from fleet.errors import OrderError

KEY_BYTES = 32
SUFFIX = ".key"
NODE_NAME = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9_.-]{0,63}")


class OrderKey:
    """A key and its generation. Its text form hides the key."""

    def __init__(self, node: str, generation: int, key: bytes) -> None:
        self.node = node
        self.generation = generation
        self.key = key

    @property
    def key_id(self) -> bytes:
        """What the order names the key by: node and generation."""
        return f"{self.node}-{self.generation}".encode()

    def __repr__(self) -> str:
        return f"OrderKey({self.node!r}, generation {self.generation}, •••)"


def make_key(folder: Path, node: str) -> OrderKey:
    """A new key for a node; the generation rises if it has one already.

    Raises
    ------
    OrderError
        If the name is none of a node, or the file can't be written.
    """
    if not NODE_NAME.fullmatch(node):
        raise OrderError(f"{node!r}: no name of a node; expected 1 to 64 of A-Z a-z 0-9 _ . - and not a dot first.")
    path = folder / f"{node}{SUFFIX}"
    generation = read_key(path, node).generation + 1 if path.exists() else 1
    key = OrderKey(node, generation, secrets.token_bytes(KEY_BYTES))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        fresh = path.with_suffix(".new")
        handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(f"{key.key_id.decode()} {key.key.hex()}\n")
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
    except OSError as why:
        raise OrderError(f"{path}: key can't be written: {why.strerror}. Choose a folder you may write to.") from why
    return key


def read_key(path: Path, node: str) -> OrderKey:
    """The key in a file.

    Raises
    ------
    OrderError
        If the file is missing, can be read by others, or holds no key of this node.
    """
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
        text = path.read_text(encoding="utf-8")
    except OSError as why:
        raise OrderError(
            f"{path}: key can't be read: {why.strerror}. Make one with `wakeledger keys make {node}`."
        ) from why
    if mode & 0o077:
        raise OrderError(f"{path}: mode is {mode:o}, others can read it; expected 600. Run `chmod 600 {path}`.")
    key_id, _, digits = text.strip().partition(" ")
    name, _, generation = key_id.rpartition("-")
    if name != node or not generation.isdigit() or not re.fullmatch(r"[0-9a-f]{64}", digits):
        raise OrderError(
            f"{path}: is not `{node}-GENERATION KEY` with a key of 64 hex digits."
            f" Make one with `wakeledger keys make {node}`."
        )
    return OrderKey(node, int(generation), bytes.fromhex(digits))


def read_keys(folder: Path) -> dict[str, OrderKey]:
    """Every node's key in a folder.

    Raises
    ------
    OrderError
        If two nodes share a key, or a file is wrong.
    """
    keys = {
        path.name[: -len(SUFFIX)]: read_key(path, path.name[: -len(SUFFIX)]) for path in sorted(folder.glob("*.key"))
    }
    owners: dict[bytes, str] = {}
    for node, key in keys.items():
        if key.key in owners:
            raise OrderError(f"{folder}: {owners[key.key]} and {node} share one key. Make {node} a key of its own.")
        owners[key.key] = node
    return keys
