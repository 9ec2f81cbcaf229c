"""JSON from outside, read so that no text can do harm: whatever is wrong with it is a ValueError."""

from __future__ import annotations

import json


def read_json(text: str) -> object:
    """What a JSON text says. Raises json.JSONDecodeError, also for one nested too deep or a number too long."""
    try:
        found: object = json.loads(text)
    except RecursionError:
        raise json.JSONDecodeError("nested too deep", text[:1], 0) from None
    except json.JSONDecodeError:
        raise
    except ValueError:  # Python's own bound on the digits of a whole number
        raise json.JSONDecodeError("a number of too many digits", text[:1], 0) from None
    return found
