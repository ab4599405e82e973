"""What the ingester asks of the node list: the name of each node's banded reading, and who is not in it."""

from __future__ import annotations

from fleet.store.engine import Store
from fleet.store.setup import read_nodes


def banded_readings(store: Store) -> dict[str, str]:
    """Name of the banded reading of every node that has one."""
    nodes = read_nodes(store)
    pairs = zip(nodes["node"].tolist(), nodes["banded_reading"].tolist(), strict=True)
    return {str(node): str(name) for node, name in pairs if isinstance(name, str) and name}


def unknown_nodes(store: Store) -> list[str]:
    """Nodes that were heard but are not in the node list."""
    nodes = read_nodes(store)
    return [str(node) for node in nodes.loc[~nodes["known"].astype(bool), "node"].tolist()]
