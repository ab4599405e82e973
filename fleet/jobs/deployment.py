"""What a person wrote down about a deployment, read from the set-up folder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from fleet.errors import SetupError
from fleet.frames import EVENT, empty_frame
from fleet.profiles.chemistry import Chemistry, load_chemistry
from fleet.profiles.load import load_profiles
from fleet.profiles.nodes import read_nodes, read_visits
from fleet.profiles.profile import Profile


@dataclass(frozen=True)
class Deployment:
    """Nodes, profiles, chemistries and told events; `problems` are rows and files that were refused."""

    nodes: pd.DataFrame
    profiles: Mapping[str, Profile]
    chemistries: Mapping[str, Chemistry]
    events: pd.DataFrame
    problems: list[SetupError] = field(default_factory=list)

    def with_nodes(self, nodes: pd.DataFrame, events: pd.DataFrame) -> Deployment:
        """The same profiles with the nodes and events that a store knows."""
        chemistries, problems = _chemistries(self.profiles, nodes)
        known = dict(self.chemistries) | chemistries
        return replace(self, nodes=nodes, events=events, chemistries=known, problems=[*self.problems, *problems])


def load_deployment(profiles_dir: Path, nodes_file: Path, visits_file: Path | None = None) -> Deployment:
    """The deployment that these files describe; what is wrong in them is listed and left out.

    Raises
    ------
    SetupError
        If the node list itself can't be read.
    """
    profiles, problems = load_profiles(profiles_dir)
    nodes, refused = read_nodes(nodes_file, profiles)
    problems = [*problems, *refused]
    events = empty_frame(EVENT)
    if visits_file is not None:
        events, refused = read_visits(visits_file, nodes)
        problems += refused
    chemistries, refused = _chemistries(profiles, nodes)
    return Deployment(nodes, profiles, chemistries, events, [*problems, *refused])


def _chemistries(profiles: Mapping[str, Profile], nodes: pd.DataFrame) -> tuple[dict[str, Chemistry], list[SetupError]]:
    """Every chemistry that a profile or a node names."""
    wanted = {profile.battery.chemistry for profile in profiles.values()}
    wanted |= {str(name) for name in nodes["chemistry"].dropna().unique() if name}
    found: dict[str, Chemistry] = {}
    problems: list[SetupError] = []
    for name in sorted(wanted):
        try:
            found[name] = load_chemistry(name)
        except SetupError as why:
            problems.append(why)
    return found, problems
