"""A reference node in MicroPython: records, receipts, signed orders on trial. Copied to a board as it is."""
