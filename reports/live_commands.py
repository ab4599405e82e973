"""Commands that stay: watch in a terminal, serve a page; and unit, which prints services for both."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Mount the commands."""
    app.command()(watch)
    app.command()(serve)
    app.command()(unit)


def watch(
    once: Annotated[bool, typer.Option("--once", help="Print every node once, tab-separated, and exit.")] = False,
) -> None:
    """Watch the fleet in a terminal, nodes that need a person first; in a pipe it prints once.

    Keys: j/k move, enter opens a node, / filters by node, site, state or flag, q quits.
    Example: wakeledger watch
    """
    from fleet.jobs.opened import opened
    from reports.live import LiveReader
    from reports.watch import print_once
    from reports.watch import watch as stay

    settings, store = opened()
    reader = LiveReader(store, settings)
    if once or not (sys.stdout.isatty() and sys.stdin.isatty()):
        print_once(reader.look())
        return
    stay(reader)


def serve(
    host: Annotated[str, typer.Option(help="Address to listen on; others than loopback need a guard.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port.")] = 8737,
    token_file: Annotated[
        Path | None, typer.Option(help="File of mode 0600 with lines `look NAME TOKEN` or `push NAME TOKEN`.")
    ] = None,
    behind_proxy: Annotated[
        str | None, typer.Option(help="Address of a proxy that signs people in and sends X-Remote-User.")
    ] = None,
    host_name: Annotated[list[str] | None, typer.Option(help="A name the page answers to; repeatable.")] = None,
    look_only: Annotated[bool, typer.Option("--look-only", help="No way to change anything.")] = False,
    who: Annotated[str, typer.Option(envvar="USER", help="Who pushes, where no token says so.")] = "unknown",
) -> None:
    """Serve the live page: due, wall, nodes, advice, orders, visits, intake; works without internet.

    Anyone who reaches it on this machine may push, unless a token file or --look-only is given.
    From afar use an SSH tunnel: ssh -L 8737:127.0.0.1:8737 HOST. Example: wakeledger serve --look-only
    """
    from fleet.errors import SetupError
    from fleet.jobs.opened import opened
    from reports.live import LiveReader
    from reports.serve import build_app, run
    from reports.serve_access import Access, check_bind, host_names, read_tokens

    if token_file is not None and behind_proxy is not None:
        raise SetupError("serve: --token-file and --behind-proxy together; expected one of them.")
    tokens = read_tokens(token_file) if token_file is not None else ()
    check_bind(host, tokens=bool(tokens), proxy=behind_proxy is not None)
    settings, store = opened(readonly=look_only)
    names = host_names(host, tuple(name.lower() for name in host_name or ()))
    access = Access(who, names, tokens, behind_proxy, look_only)
    shown = f"[{host}]" if ":" in host else host
    typer.echo(f"http://{shown}:{port}/  (ctrl-c stops it)", err=True)
    run(build_app(LiveReader(store, settings), access), host, port)


def unit(
    service: Annotated[list[str] | None, typer.Argument(help="ingest, page, nightly, weekly; without it, all.")] = None,
    user: Annotated[
        str, typer.Option(help="The user that the services run as; it must own the folder.")
    ] = "wakeledger",
    out: Annotated[
        Path | None, typer.Option(help="Folder to write the files to; without it, they are printed.")
    ] = None,
) -> None:
    """Print hardened systemd units: ingester with watchdog, page, nightly analysis, weekly report.

    They run in the folder of the settings file. Example: wakeledger unit ingest page --out /etc/systemd/system
    """
    from fleet.settings import load_settings
    from reports.units import Place, program_path, unit_files

    folder = str(Path(load_settings().folder).resolve())
    files = unit_files(list(service or ()), Place(program_path(sys.argv[0]), folder, user))
    for name, text in files.items():
        if out is None:
            typer.echo(f"# {name}\n{text}")
        else:
            (out / name).write_text(text, encoding="utf-8")
            typer.echo(str(out / name), err=True)
