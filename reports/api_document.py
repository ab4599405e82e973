"""The OpenAPI 3.1 description of the interface for programs."""

from __future__ import annotations

from typing import Any

JSON_OBJECT: dict[str, Any] = {"type": "object"}


def document(version: str) -> dict[str, Any]:
    """The description."""
    limit = _asked("limit", {"type": "integer", "minimum": 1, "maximum": 1000, "default": 200}, "Most rows of a page.")
    after = _asked("after", {"type": "string"}, "Names after this one; from `next_after`.")
    before = _asked("before", {"type": "integer", "minimum": 0}, "Numbers below this one; from `next_before`.")
    name = {
        "name": "node", "in": "path", "required": True, "schema": {"type": "string"}, "description": "Name of a node.",
    }  # fmt: skip
    nodes = _page("nodes", "next_after", {"type": ["string", "null"]})
    orders = _page("orders", "next_before", {"type": ["integer", "null"]})
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "wakeledger",
            "version": version,
            "description": "What was worked out of a fleet of battery nodes. For looking only; pushes have no "
            "interface for programs. What is not known is null.",
        },
        "paths": {
            "/api/v1/nodes": {"get": _read("Results by node", nodes, [limit, after], refused=True)},
            "/api/v1/nodes/{node}": {"get": _read("The result of one node", JSON_OBJECT, [name], missing=True)},
            "/api/v1/report": {"get": _read("The weekly report's model, now", JSON_OBJECT, [])},
            "/api/v1/orders": {"get": _read("Orders, newest first", orders, [limit, before], refused=True)},
            "/healthz": {"get": _plain("Alive", ())},
            "/readyz": {"get": _plain("Whether the database answers", ("503",))},
            "/metrics": {"get": _plain("Counts for Prometheus", ("401", "503"))},
        },
        "components": {
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
            "schemas": {
                "Error": {"type": "object", "required": ["error"], "properties": {"error": {"type": "string"}}}
            },
        },
    }


def _asked(name: str, schema: dict[str, Any], text: str) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": False, "schema": schema, "description": text}


def _page(rows: str, more: str, schema: dict[str, Any]) -> dict[str, Any]:
    listed = {"type": "array", "items": JSON_OBJECT}
    return {
        "type": "object",
        "required": ["schema", rows, more],
        "properties": {"schema": {"type": "string"}, rows: listed, more: schema},
    }


def _read(
    summary: str,
    schema: dict[str, Any],
    parameters: list[dict[str, Any]],
    *,
    refused: bool = False,
    missing: bool = False,
) -> dict[str, Any]:
    error = {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/Error"}}}}
    responses: dict[str, Any] = {
        "200": {"description": "OK", "content": {"application/json": {"schema": schema}}},
        "304": {"description": "As the caller has it (If-None-Match)."},
        "401": {"description": "A token is needed.", **error},
        "503": {"description": "The database does not answer.", **error},
    }
    if refused:
        responses["400"] = {"description": "A parameter is wrong.", **error}
    if missing:
        responses["404"] = {"description": "No such node.", **error}
    return {"summary": summary, "parameters": parameters, "responses": responses, "security": [{}, {"token": []}]}


def _plain(summary: str, others: tuple[str, ...]) -> dict[str, Any]:
    text = {"content": {"text/plain": {"schema": {"type": "string"}}}}
    responses = {status: {"description": "No", **text} for status in others}
    return {"summary": summary, "responses": {"200": {"description": "OK", **text}, **responses}}
