"""Commands against a store in a folder of their own: report, visits, swap."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner, Result

import reports.commands
from fleet.errors import ReportError, SetupError
from fleet.estimates.fleet import Estimates
from fleet.store.engine import open_store
from fleet.store.findings import write_findings
from fleet.store.setup import add_event, read_events, read_nodes, write_nodes
from reports.make import make_report
from tests.reports.fleet_of import AS_OF_AT, fleet_of

app = typer.Typer()
reports.commands.register(app)
PROFILE = """profile = "creek-level-2"
sleep = {current_ua = 9.0}
wake = {current_ma = 38.0, length_ms = 350}
battery = {chemistry = "alkaline", series = 2, capacity_mah = 2500, cutoff_mv = 2000}
"""


def run(*words: str) -> Result:
    """The command's result; what it raised is raised here."""
    result = CliRunner().invoke(app, list(words))
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with settings, set-up files and an analysed store of twelve nodes."""
    import pandas as pd

    found = fleet_of(12, seed=5)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "fleet.toml").write_text('[report]\ntimezone = "Europe/Berlin"\n')
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles/creek.toml").write_text(PROFILE)
    (tmp_path / "nodes.csv").write_text("node,site,profile\n")
    with open_store(f"sqlite:///{tmp_path}/wakeledger.sqlite") as store:
        write_nodes(store, found.nodes)
        names = dict(zip(found.nodes["node_id"], found.nodes["node"], strict=True))
        for event in found.events.to_dict("records"):
            add_event(
                store, names[event["node_id"]], "visit",
                at_s=event["at"], note=None, told_by="t", told_at_s=AS_OF_AT.timestamp(),
            )  # fmt: skip
        swaps = pd.DataFrame({"node_id": [], "at": [], "told": []})
        estimates = Estimates(found.estimates, found.charge, found.outlook, swaps)
        write_findings(store, estimates, found.flags, found.advice, as_of_at=AS_OF_AT)
    return tmp_path


def test_report_writes_every_form_and_again_the_same_bytes(place: Path) -> None:
    shown = run("report")
    folder = place / "weekly/2026-W48"
    assert shown.stdout.strip() == str(folder / "report.html")
    names = {path.name for path in folder.iterdir()}
    forms = ("html", "pdf", "json", "txt", "eml")
    assert names >= {*(f"report.{form}" for form in forms), "nodes.csv", "visits.ics", "sites.geojson"}
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert run("report", "--week", "2026-W48").exit_code == 0
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert run("report", "--week", "2026-W48", "--anew").exit_code == 0
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_fail_on_ends_with_three_where_something_is_due(place: Path) -> None:
    model = json.loads((place / run("report").stdout.strip()).with_name("report.json").read_text())
    wanted = {"due": model["by_state"]["due"], "soon": model["by_state"]["due"] + model["by_state"]["soon"]}
    assert wanted["soon"]
    for state, count in wanted.items():
        assert run("report", "--week", "2026-W48", "--fail-on", state).exit_code == (3 if count else 0)
    with pytest.raises(ReportError, match="expected due or soon"):
        run("report", "--fail-on", "holds")


def test_a_week_to_come_is_refused(place: Path) -> None:
    with pytest.raises(ReportError, match="has not begun"):
        run("report", "--week", "2099-W01")


def test_send_without_a_server_says_what_to_write(place: Path) -> None:
    with pytest.raises(ReportError, match=r"report\.smtp_url: not set"):
        run("report", "--send")


def test_a_report_is_sent_once(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sent: list[bytes] = []
    monkeypatch.setattr("reports.make.send_mail", lambda mail, **_: sent.append(mail))
    monkeypatch.setenv("FLEET_REPORT__SMTP_URL", "smtp://mail.example.org")
    assert "sent to" in run("report", "--send").stderr
    assert "not sent again" in run("report", "--week", "2026-W48", "--send").stderr
    assert len(sent) == 1
    run("report", "--week", "2026-W48", "--send-again")
    assert len(sent) == 2


def test_visits_are_planned_listed_and_taken_back(place: Path) -> None:
    run("visits", "add", "Dyke end", "--on", "2099-12-09", "--note", "high tide")
    listed = json.loads(run("visits", "list", "--json").stdout)["visits"]
    assert {row["site"] for row in listed if row["day"] == "2099-12-09"} == {"Dyke end"}
    run("visits", "drop", "Dyke end", "--on", "2099-12-09")
    assert "2099-12-09" not in run("visits", "list", "--json").stdout


def test_a_visit_done_stands_for_the_planned_one(place: Path) -> None:
    run("visits", "add", "Dyke end", "--on", "2099-12-09")
    run("visits", "done", "Dyke end", "--on", "2026-11-20", "--instead-of", "2099-12-09")
    everything = run("visits", "list", "--json", "--all").stdout
    assert "2026-11-20" in everything and "2099-12-09" not in everything


def test_a_site_of_another_name_is_refused_with_the_near_one(place: Path) -> None:
    with pytest.raises(SetupError, match="Did you mean 'Dyke end'"):
        run("visits", "add", "Dike end", "--on", "2099-12-09")


def test_a_swap_is_told_and_a_wrong_one_undone(place: Path) -> None:
    with open_store(f"sqlite:///{place}/wakeledger.sqlite", readonly=True) as store:
        node = str(read_nodes(store)["node"].iloc[0])
    run("swap", node, "--at", "2026-11-20T10:30", "--cells", "li-fes2", "--note", "seal renewed")
    with open_store(f"sqlite:///{place}/wakeledger.sqlite", readonly=True) as store:
        swaps = read_events(store).query("what == 'swap'")
        assert list(swaps["at"]) == [1795167000.0]  # 2026-11-20T09:30Z; Berlin is an hour ahead in winter
        assert read_nodes(store)["chemistry"].iloc[0] == "li-fes2"
    run("swap", node, "--undo")
    with open_store(f"sqlite:///{place}/wakeledger.sqlite", readonly=True) as store:
        assert read_events(store).query("what == 'swap'").empty
    with pytest.raises(SetupError, match="no swap is told"):
        run("swap", node, "--undo")


def test_ranges_are_corrected_where_the_past_asks_for_it(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same store with and without a factor: every P10 sooner, and the report says by how much."""
    told = {"coverage": 0.6, "coverage_lo": 0.5, "coverage_hi": 0.7, "nodes_ended": 30, "forecasts": 400}
    p10 = []
    for correction in (float("nan"), 1.5):
        scores = {**told, "correction": correction}
        monkeypatch.setattr("reports.reads._scores", lambda *_, scores=scores: scores)
        model = make_report(out=place / "here", anew=True).model
        p10.append({line.node: line.days_left_p10 for line in model.nodes if line.days_left_p10 is not None})
    assert model.sure.correction == 1.5
    assert p10[0].keys() == p10[1].keys() and all(p10[1][node] < p10[0][node] for node in p10[0])
