"""Unit suffixes used in names, and the exact factors between them."""

US_PER_S = 1_000_000.0
MS_PER_S = 1000.0
S_PER_MIN = 60.0
S_PER_H = 3600.0
S_PER_D = 86_400.0
MS_PER_D = MS_PER_S * S_PER_D
H_PER_D = 24.0
D_PER_WEEK = 7.0
D_PER_YEAR = 365.25
UA_PER_MA = 1000.0
MV_PER_V = 1000.0
MC_PER_MAH = 3600.0  # 1 mAh = 1 mA for 3600 s = 3600 mC
KELVIN_OFFSET_C = 273.15

SUFFIXES = (
    "_mv", "_ua", "_ma", "_mah", "_mah_per_day", "_mc", "_mohm", "_s", "_ms", "_us", "_d", "_h", "_per_d", "_per_day",
    "_frac", "_c", "_raw", "_count", "_at", "_ppm", "_dbm", "_mib",
)  # fmt: skip
"""Endings that tell a number's unit; moments end in ``_at`` and are aware UTC."""
