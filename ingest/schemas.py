"""JSON Schemas of the messages, made from the types, and the AsyncAPI 3 document of the contract.

`python -m ingest.schemas` writes them to `ingest/contract/`; a test compares what is committed there.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

from fleet.messages import OrderAnswer, Receipt, WakeRecord
from fleet.wire import PAYLOAD_LIMIT_BYTES

FOLDER = Path(__file__).parent / "contract"
JSON_SCHEMA = "https://json-schema.org/draft/2020-12/schema"
NODE_PATTERN = "^[A-Za-z0-9_.-]{1,64}$"


def schemas() -> dict[str, dict[str, Any]]:
    """File name → JSON Schema 2020-12 of each message."""
    record = _schema(WakeRecord, "wake record")
    several = {"oneOf": [{"$ref": "#/$defs/WakeRecord"}, {"type": "array", "items": {"$ref": "#/$defs/WakeRecord"}}]}
    wake = {key: value for key, value in record.items() if key != "$ref"} | several
    return {
        "wake.schema.json": wake | {"title": "payload on <root>/<node>/wake"},
        "receipt.schema.json": _schema(Receipt, "payload on <root>/<node>/receipt"),
        "answer.schema.json": _schema(OrderAnswer, "payload on <root>/<node>/answer"),
    }


def _schema(kind: type[msgspec.Struct], title: str) -> dict[str, Any]:
    """The schema of one type. Unknown keys are allowed: the reader keeps them beside the record."""
    (top,), parts = msgspec.json.schema_components([kind], ref_template="#/$defs/{name}")
    for part in parts.values():
        part.pop("additionalProperties", None)
    return {"$schema": JSON_SCHEMA, "title": title, **top, "$defs": parts}


def asyncapi() -> dict[str, Any]:
    """The contract as an AsyncAPI 3 document; channels refer to the schemas beside it."""
    node = {"node": {"description": "Name of the node.", "examples": ["n017"]}}
    said = {
        "wake": ("What a node's main processor woke for; one record or an array of them.", "application/json"),
        "receipt": ("Up to where the node's records are stored; retained, QoS 0.", "application/json"),
        "retune": ("The one order now open for the node; retained, QoS 1. Signed: COSE_Mac0.", "application/cose"),
        "answer": ("What the node did with an order; QoS 1.", "application/json"),
    }
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "wakeledger wire contract",
            "version": "1",
            "description": f"Payloads up to {PAYLOAD_LIMIT_BYTES} bytes. A node name matches {NODE_PATTERN}.",
        },
        "defaultContentType": "application/json",
        "channels": {
            kind: {
                "address": "{root}/{node}/" + kind,
                "description": text,
                "parameters": {"root": {"description": "Topic root, one or more levels."}, **node},
                "messages": {kind: _message(kind, content)},
            }
            for kind, (text, content) in said.items()
        },
        "operations": {
            "hearWakes": _operation("receive", "wake"),
            "hearAnswers": _operation("receive", "answer"),
            "sendReceipts": _operation("send", "receipt"),
            "sendOrders": _operation("send", "retune"),
        },
    }


def _message(kind: str, content: str) -> dict[str, Any]:
    message: dict[str, Any] = {"name": kind, "contentType": content}
    if kind != "retune":
        message["payload"] = {
            "schemaFormat": "application/schema+json;version=draft-2020-12",
            "schema": {"$ref": f"./{kind}.schema.json"},
        }
    return message


def _operation(action: str, kind: str) -> dict[str, Any]:
    channel = f"#/channels/{kind}"
    return {"action": action, "channel": {"$ref": channel}, "messages": [{"$ref": f"{channel}/messages/{kind}"}]}


def files() -> dict[str, bytes]:
    """Every file of the folder, as it should be."""
    documents = {**schemas(), "asyncapi.json": asyncapi()}
    return {
        name: msgspec.json.format(msgspec.json.encode(document), indent=2) + b"\n"
        for name, document in documents.items()
    }


def write_files(folder: Path = FOLDER) -> None:
    """Write them all."""
    folder.mkdir(exist_ok=True)
    for name, text in files().items():
        (folder / name).write_bytes(text)


if __name__ == "__main__":
    write_files()
