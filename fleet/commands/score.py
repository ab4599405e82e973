"""`wakeledger score`: the past replayed, forecasts held against what happened."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Mount the scorecard command."""
    app.command("score")(score)


def score(
    weeks: Annotated[int, typer.Option(min=1, help="How many past week-ends to forecast from.")] = 12,
    as_json: Annotated[bool, typer.Option("--json", help="JSON instead of a table.")] = False,
) -> None:
    """Forecast from past week-ends with what was known then, and compare with what happened.

    Example: wakeledger score --weeks 12
    """
    from fleet.clock import now_utc
    from fleet.jobs.opened import deployment_of, opened
    from fleet.jobs.score import scorecard
    from fleet.show import show_json, show_table
    from fleet.store.results import rows_of

    settings, store = opened()
    card = scorecard(store, deployment_of(settings, store), weeks=weeks, now_at=now_utc())
    rows = rows_of(card.rows) if card is not None else []
    if as_json:
        show_json({"rows": rows, "conformal_factor": card.conformal_factor if card is not None else None})
        return
    show_table(tuple(rows[0]) if rows else ("group",), [tuple(row.values()) for row in rows], title="Scorecard")
