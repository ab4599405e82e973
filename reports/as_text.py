"""The report as plain text, for a terminal and for the first part of a mail."""

from __future__ import annotations

from reports.weekly import Pages

WIDTH = 78
ROWS = 25


def as_text(pages: Pages) -> str:
    """Page one and what follows from it, in lines of at most 78 characters where words allow."""
    front, sites, sure = pages["front"], pages["sites"], pages["sure"]
    out = [front["kicker"], "", *_wrapped(front["headline"]), ""]
    for line in front["lead"]:
        out += _wrapped(line)
    out += ["", *(f"{count['n']:>6}  {count['text']}" for count in front["counts"])]
    out += ["", front["bring"]["title"], *(f"  {line}" for line in front["bring"]["lines"])]
    if front["rounds"]["rows"]:
        out += ["", front["rounds"]["title"], *text_table(front["rounds"]["columns"], front["rounds"]["rows"])]
    ladder = front["ladder"]
    out += ["", ladder["title"]]
    out += (
        text_table(ladder["columns"], [row["cells"] for row in ladder["rows"][:ROWS]])
        if ladder["rows"]
        else [ladder["none"]]
    )
    out += [ladder["more"]] if ladder["more"] else []
    if sites["rows"]:
        out += ["", sites["title"], *text_table(sites["columns"], sites["rows"])]
        out += ["", pages["changes"]["headline"], pages["wakes"]["headline"], pages["charge"]["headline"]]
    out += ["", sure["title"]]
    for line in sure["lines"]:
        out += _wrapped(line)
    return "\n".join([*out, "", *_wrapped(sure["made"])]) + "\n"


def _wrapped(text: str) -> list[str]:
    import textwrap

    return textwrap.wrap(text, WIDTH, break_long_words=False, break_on_hyphens=False) or [""]


def text_table(columns: list[str], rows: list[list[str]]) -> list[str]:
    """Lines of a table whose columns stand beneath each other."""
    widths = [max(len(str(row[index])) for row in [columns, *rows]) for index in range(len(columns))]
    lines = [columns, *rows]
    return ["  " + "  ".join(str(c).ljust(w) for c, w in zip(line, widths, strict=True)).rstrip() for line in lines]
