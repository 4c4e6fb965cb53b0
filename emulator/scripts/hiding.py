"""Keeps secret values out of everything that is shown: what the file hides, and what is called by a telling name."""

import re
from collections.abc import Mapping
from typing import Any, Final

from emulator.scripts.models import Scripts

__all__ = ["HIDDEN", "hidden", "without"]

HIDDEN: Final = "(hidden)"
_TELLING: Final = re.compile("TOKEN|SECRET|PASSWORD", re.IGNORECASE)
_SHORT: Final = 4  # a shorter value stands in too many words to be taken out of a text


def _is_secret(scripts: Scripts, name: str) -> bool:
    return name in scripts.hide or bool(_TELLING.search(name))


def hidden(scripts: Scripts, values: Mapping[str, Any]) -> dict[str, Any]:
    """Give values by name as they may be shown.

    >>> from emulator.scripts.models import Script
    >>> file = Scripts(scripts={"copy": Script(argv=("sh",))}, hide=("door",))
    >>> hidden(file, {"door": "4711", "api_token": "x", "plate": "plate-7"})
    {'door': '(hidden)', 'api_token': '(hidden)', 'plate': 'plate-7'}
    """
    return {name: HIDDEN if _is_secret(scripts, name) else value for name, value in values.items()}


def without(scripts: Scripts, values: Mapping[str, Any], text: str) -> str:
    """Take secret values out of a text, such as the words of a call."""
    for name, value in values.items():
        if _is_secret(scripts, name):
            for one in map(str, value if isinstance(value, list | tuple) else [value]):
                if len(one) >= _SHORT:
                    text = text.replace(one, HIDDEN)
    return text
