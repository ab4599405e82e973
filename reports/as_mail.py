"""The report as one mail: text first, short HTML with the ladder as a picture, the whole report attached."""

from __future__ import annotations

from datetime import UTC, datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from reports.as_html import environment
from reports.as_text import as_text
from reports.charts.draw import png
from reports.model import ReportModel
from reports.say import say
from reports.weekly import Pages

TYPES = {"html": ("text", "html"), "pdf": ("application", "pdf"), "csv": ("text", "csv"), "ics": ("text", "calendar")}
ATTACHED = ("report.html", "report.pdf", "nodes.csv", "visits.ics")


def as_mail(model: ReportModel, pages: Pages, files: dict[str, bytes], *, sender: str, recipients: list[str]) -> bytes:
    """The message in the form it travels in; the same report gives the same bytes."""
    words = say(pages["language"])
    message = EmailMessage(policy=SMTP.clone(max_line_length=120))
    week = model.week.split("-W")[1]
    message["Subject"] = words("mail.subject", title=model.title, week=int(week), headline=pages["front"]["headline"])
    message["From"], message["To"] = sender, ", ".join(recipients)
    message["Date"] = format_datetime(datetime.fromtimestamp(model.as_of, UTC))
    message["Message-ID"] = message_id(model)
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(f"{as_text(pages)}\n{words('mail.attached')}\n", cte="quoted-printable")
    picture = pages["front"]["ladder"]["picture"]
    template = environment().get_template("mail.html")
    short = template.render(language=pages["language"], front=pages["front"], attached=words("mail.attached"))
    message.add_alternative(short, subtype="html", cte="quoted-printable")
    body = message.get_body(("html",))
    if picture is not None and isinstance(body, EmailMessage):
        body.add_related(png(picture["svg"]), "image", "png", cid="<ladder@wakeledger>", filename="ladder.png")
    for name in ATTACHED:
        if name in files:
            main, sub = TYPES[name.rsplit(".", 1)[1]]
            message.add_attachment(files[name], maintype=main, subtype=sub, filename=name)
    _fix_boundaries(message, model.report_id)
    return message.as_bytes()


def message_id(model: ReportModel) -> str:
    """The mail's identity, from the report's: a second sending can be told."""
    return f"<{model.report_id}@wakeledger>"


def _fix_boundaries(message: EmailMessage, report_id: str) -> None:
    for number, part in enumerate(part for part in message.walk() if part.is_multipart()):
        part.set_boundary(f"=_{report_id}_{number}")
