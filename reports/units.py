"""systemd units: the ingester, the page, the nightly analysis, the weekly report. Printed, never installed by us."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from fleet.errors import SetupError

HARDENED = """\
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=read-only
PrivateTmp=yes
PrivateDevices=yes
ProtectClock=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectControlGroups=yes
ProtectProc=invisible
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
CapabilityBoundingSet=
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged
UMask=0077
"""


@dataclass(frozen=True)
class Place:
    """Where the program, the folder of `fleet.toml` and the service's user are."""

    program: str
    folder: str
    user: str


@dataclass(frozen=True)
class Service:
    """What one unit runs."""

    words: str
    command: str
    kind: str
    writes: bool
    when: str = ""


SERVICES = {
    "ingest": Service("wakeledger: store what nodes send", "listen", "notify", True),
    "page": Service("wakeledger: the live page", "serve", "exec", True),
    "nightly": Service("wakeledger: judge the fleet", "analyse", "oneshot", True, "*-*-* 02:15:00"),
    "weekly": Service("wakeledger: the weekly report", "report", "oneshot", True, "Mon *-*-* 05:00:00"),
}


def unit_files(names: list[str], place: Place) -> dict[str, str]:
    """Unit texts by file name; a timed one comes with its timer.

    Raises
    ------
    SetupError
        If there is no such service, or a path can't stand in a unit.
    """
    for text in (place.program, place.folder, place.user):
        if any(ch in text for ch in "\n\r\0%$\"'\\"):
            raise SetupError(f"{text!r}: can't stand in a unit; expected no quote, %, $, backslash or line break.")
    files = {}
    for name in names or list(SERVICES):
        if name not in SERVICES:
            raise SetupError(f"{name}: no such service; expected one of {', '.join(SERVICES)}.")
        service = SERVICES[name]
        files[f"wakeledger-{name}.service"] = _service(service, place)
        if service.when:
            files[f"wakeledger-{name}.timer"] = _timer(service)
    return files


def _service(service: Service, place: Place) -> str:
    stays = service.kind != "oneshot"
    lines = ["[Unit]", f"Description={service.words}", "After=network-online.target", "Wants=network-online.target"]
    lines += ["StartLimitIntervalSec=0"] if stays else []
    lines += ["", "[Service]", f"Type={service.kind}"]
    lines += [f'ExecStart="{place.program}" {service.command}', f"WorkingDirectory={place.folder}"]
    lines += [f"User={place.user}", f"ReadWritePaths={place.folder}" if service.writes else ""]
    if service.kind == "notify":
        lines += ["NotifyAccess=main", "WatchdogSec=60", "TimeoutStopSec=30"]
    if stays:
        lines += ["Restart=on-failure", "RestartSec=5"]
    lines += HARDENED.strip().splitlines()
    if stays:
        lines += ["", "[Install]", "WantedBy=multi-user.target"]
    return "\n".join(lines) + "\n"


def _timer(service: Service) -> str:
    return (
        f"[Unit]\nDescription={service.words}, timed\n\n[Timer]\nOnCalendar={service.when}\nPersistent=true\n"
        "RandomizedDelaySec=10min\n\n[Install]\nWantedBy=timers.target\n"
    )


def program_path(argv0: str) -> str:
    """The command itself, as a full path."""
    started = Path(argv0)
    return str(started.resolve()) if started.is_file() else shutil.which("wakeledger") or "/usr/local/bin/wakeledger"
