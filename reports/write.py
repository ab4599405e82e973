"""All forms of a report into one folder, and a kept report read back."""

from __future__ import annotations

from pathlib import Path

import msgspec

from fleet.errors import ReportError
from reports.as_csv import as_csv
from reports.as_geojson import as_geojson
from reports.as_html import as_html, wall_pages
from reports.as_ics import as_ics
from reports.as_mail import as_mail
from reports.as_pdf import as_pdf
from reports.as_text import as_text
from reports.model import SCHEMA, ReportModel
from reports.weekly import weekly_pages

MODEL_FILE = "report.json"
MAIL_FROM, MAIL_TO = "wakeledger@localhost", "crew@localhost"


def report_files(
    model: ReportModel, language: str, *, sender: str | None = None, recipients: list[str] | None = None
) -> dict[str, bytes]:
    """Every file of the report by name."""
    pages = weekly_pages(model, language)
    files = {
        MODEL_FILE: model_json(model),
        "report.html": as_html(model, pages).encode(),
        **{name: text.encode() for name, text in wall_pages(model, pages).items()},
        "report.pdf": as_pdf(model, pages),
        "report.txt": as_text(pages).encode(),
        "nodes.csv": as_csv(model).encode(),
        "visits.ics": as_ics(model, language).encode(),
        "sites.geojson": as_geojson(model).encode(),
    }
    files["report.eml"] = as_mail(model, pages, files, sender=sender or MAIL_FROM, recipients=recipients or [MAIL_TO])
    return files


def model_json(model: ReportModel) -> bytes:
    """`report.json`: the model, keys in the order of its fields."""
    return msgspec.json.format(msgspec.json.encode(model), indent=1) + b"\n"


def write_files(folder: Path, files: dict[str, bytes]) -> None:
    """Write the files; each one appears whole or not at all.

    Raises
    ------
    ReportError
        If the folder can't be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            part = folder / f".{name}.part"
            part.write_bytes(data)
            part.replace(folder / name)
    except OSError as why:
        raise ReportError(
            f"{folder}: the report can't be written: {why.strerror}. Name another folder with --out."
        ) from why


def kept_model(folder: Path) -> ReportModel | None:
    """The report kept in a folder; None if there is none.

    Raises
    ------
    ReportError
        If what is there is no report of this version's form.
    """
    file = folder / MODEL_FILE
    if not file.exists():
        return None
    try:
        model = msgspec.json.decode(file.read_bytes(), type=ReportModel)
    except (OSError, msgspec.DecodeError) as why:
        raise ReportError(f"{file}: not a report: {why}. Move it away or use --anew.") from why
    if model.schema != SCHEMA:
        raise ReportError(f"{file}: schema {model.schema}; expected {SCHEMA}. Make it again with --anew.")
    return model
