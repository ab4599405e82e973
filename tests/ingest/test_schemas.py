"""The committed contract files: made from the types, valid by their own rules, and of one mind with the decoder."""

from __future__ import annotations

import json
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from fleet.wire import decode_wakes
from ingest.schemas import FOLDER, files, schemas


def test_committed_files_are_what_the_types_say() -> None:
    """If not: python -m ingest.schemas, and look at what changed."""
    assert {path.name: path.read_bytes() for path in FOLDER.glob("*.json")} == files()


@pytest.mark.parametrize("name", sorted(schemas()))
def test_schemas_are_valid_json_schema(name: str) -> None:
    """By jsonschema's own meta-schema of draft 2020-12."""
    Draft202012Validator.check_schema(json.loads((FOLDER / name).read_text()))


GOOD: list[Any] = [
    {"boot": 1, "seq": 2, "cause": "timer"},
    {"boot": 1, "seq": 2, "cause": "lid", "t": 1.8e9, "reading": {"level_v": 1.5}, "batt_mv": 2950, "fw": "1.2"},
    {"boot": 1, "seq": 2, "cause": "pin", "asleep": {"n": 3, "hist": {"lo": 0, "step": 0.5, "n": [1, 2]}}},
    {"boot": 1, "seq": 2, "cause": "pin", "set": {"lo": 0.8, "rev": 3, "gain": 2}, "life": {"word": "0" * 16}},
    [],
    [{"boot": 1, "seq": 2, "cause": "timer"}] * 2,
]
BAD: list[Any] = [
    {"boot": -1, "seq": 2, "cause": "timer"}, {"boot": 1, "seq": 2}, {"boot": 1.5, "seq": 2, "cause": "x"}, 3, None,
    {"boot": 1, "seq": 2, "cause": "x", "life": {"word": "xyz"}}, {"boot": 1, "seq": 2, "cause": "x", "batt_mv": -1},
    {"boot": 1, "seq": 2, "cause": "x", "asleep": {"hist": {"lo": 0, "step": 0, "n": []}}}, "text",
]  # fmt: skip


@pytest.mark.parametrize("payload", [*GOOD, *BAD])
def test_schema_and_decoder_agree(payload: Any) -> None:
    """Against jsonschema, which knows nothing of our decoder."""
    validator = Draft202012Validator(schemas()["wake.schema.json"])
    assert validator.is_valid(payload) == (payload in GOOD) == (not decode_wakes(json.dumps(payload).encode())[1])


def test_every_reference_of_the_asyncapi_document_leads_somewhere() -> None:
    document = json.loads((FOLDER / "asyncapi.json").read_text())
    assert document["asyncapi"] == "3.0.0"
    for operation in document["operations"].values():
        assert operation["action"] in ("send", "receive")  # AsyncAPI 3.0.0, Operation Object
        for reference in (operation["channel"], *operation["messages"]):
            target: Any = document
            for step in reference["$ref"].removeprefix("#/").split("/"):
                target = target[step]
    for channel in document["channels"].values():
        for message in channel["messages"].values():
            if "payload" in message:
                assert (FOLDER / message["payload"]["schema"]["$ref"]).is_file()
