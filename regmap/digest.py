"""SHA-256 of texts, by which documents and what is made of them are known.

The library's `hashlib` loads all of OpenSSL, which takes longer than reading a map; the interpreter has the algorithm
built in, and the library's `random` takes it from there too. What is large is hashed with `hashlib` where it is read.
"""

from __future__ import annotations

try:
    from _sha2 import sha256  # type: ignore[import-not-found]  # from CPython 3.12 on
except ImportError:
    try:
        from _sha256 import sha256  # type: ignore[import-not-found]  # CPython 3.11
    except ImportError:  # another interpreter
        from hashlib import sha256

__all__ = ["hashed"]


def hashed(text: str) -> str:
    """In hex; lone surrogates, which a file's name may hold, count as they are."""
    found: str = sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
    return found
