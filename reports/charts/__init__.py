"""Chart definitions, one each, and how they become SVG and PNG."""
