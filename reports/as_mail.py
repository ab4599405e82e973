"""The report as one mail: text first, short HTML with the ladder as a picture, the whole report attached."""

from __future__ import annotations

import html
from datetime import UTC, datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from reports.as_text import as_text
from reports.charts.draw import png
from reports.model import ReportModel
from reports.say import Say, say
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
    message.add_alternative(
        _body(pages, words, with_picture=picture is not None), subtype="html", cte="quoted-printable"
    )
    if picture is not None:
        body = message.get_payload()[1]
        body.add_related(png(picture["svg"]), "image", "png", cid="<ladder@wakeledger>", filename="ladder.png")  # type: ignore[union-attr]  # the HTML part
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


def _body(pages: Pages, words: Say, *, with_picture: bool) -> str:
    front, escape = pages["front"], html.escape
    rows = "".join(
        f'<tr><td style="padding:2px 12px 2px 0;font-weight:600">{escape(count["n"])}</td><td>{escape(count["text"])}</td></tr>'
        for count in front["counts"]
    )
    picture = (
        f'<p><img src="cid:ladder@wakeledger" width="640" alt="{escape(front["ladder"]["picture"]["finding"], quote=True)}"></p>'
        if with_picture
        else ""
    )
    lead = "".join(f"<p>{escape(line)}</p>" for line in front["lead"])
    bring = "<br>".join(escape(line) for line in front["bring"]["lines"])
    return (
        f'<html lang="{pages["language"]}"><body style="font-family:sans-serif;color:#1B2733">'
        f'<p style="color:#55606C">{escape(front["kicker"])}</p><h1 style="font-size:22px">{escape(front["headline"])}</h1>'
        f'{lead}<table>{rows}</table><h2 style="font-size:17px">{escape(front["bring"]["title"])}</h2><p>{bring}</p>'
        f"{picture}<p>{escape(words('mail.attached'))}</p></body></html>\n"
    )
