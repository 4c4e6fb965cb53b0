"""A forecast for machines: JSON, and a table of dates as CSV."""

import csv
import io
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from typing import Any

from emulator.outlook.forecast_result import Forecast
from emulator.outlook.forecast_words import headline
from emulator.show.exports.plain import cell
from emulator.show.meta import SMALL_PRINT

__all__ = ["forecast_csv", "forecast_json"]


def forecast_json(of: Forecast) -> dict[str, Any]:
    """Give a forecast as plain data for ``json.dumps``; dates as 2027-03-01, times in ticks."""
    return {"verdict": headline(of), "outlook": of.outlook, **_plain(of), "note": SMALL_PRINT}


def _plain(thing: Any) -> Any:
    if is_dataclass(thing) and not isinstance(thing, type):
        return {field.name: _plain(getattr(thing, field.name)) for field in fields(thing)}
    if isinstance(thing, Mapping):
        return {str(key): _plain(value) for key, value in thing.items()}
    if isinstance(thing, tuple | list):
        return [_plain(item) for item in thing]
    if isinstance(thing, date | datetime):
        return thing.isoformat()
    return float(f"{thing:.9g}") if isinstance(thing, float) else thing


def forecast_csv(of: Forecast) -> str:
    """Write the dates as CSV (RFC 4180): a row for each requirement and kind of night, then one for each dated end."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["what", "kind", "outlook", "first", "low", "high", "share_asked", "share_today", "share_at_end"])
    for one in of.answers:
        shares = [f"{share:.4f}" if share is not None else "" for share in (one.share, one.today, one.at_end)]
        dates = [str(day) if day is not None else "" for day in (one.first, one.low, one.high)]
        writer.writerow([cell(one.requirement), cell(one.kind), one.outlook, *dates, *shares])
    for end in of.ends_tried:
        first = str(end.breaks_on) if end.breaks_on is not None else ""
        writer.writerow(
            [cell(end.what), "dated end", "breaks" if first else "breaks_nothing", *[first] * 3, "", "", ""]
        )
    return out.getvalue()
