"""All that can be known about a fleet of sleeping sensor nodes without a network."""

__version__ = "0.1.0"
