"""Words for what the journal keeps: how the error went."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any


def adjustment_words(row: Mapping[str, Any]) -> str:
    """Return an adjustment's figures as a person reads them."""
    minutes = (instant_in(row["ended_at"]) - instant_in(row["began_at"])).total_seconds() / 60.0
    return f"adjusted from {went_words(row)} ({row['corrections']} corrections, {minutes:.0f} min)"


def went_words(row: Mapping[str, Any]) -> str:
    """Return how the error went from the first to the last look."""
    return (
        f"{row['start_total_error_arcmin']:.2f} to {row['end_total_error_arcmin']:.2f} arcmin "
        f"+- {row['end_total_error_sigma_arcmin']:.2f} "
        f"(altitude {row['end_altitude_error_arcmin']:+.2f}, "
        f"azimuth {row['end_azimuth_error_arcmin']:+.2f}), {row['verdict'].replace('_', ' ')}"
    )


def instant_in(text: str) -> datetime:
    """Return the instant that a row of figures tells."""
    return datetime.fromisoformat(text)
