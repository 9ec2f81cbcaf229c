"""The languages there are."""

from __future__ import annotations

from .cpp import Cpp
from .rust import Rust

Either = Cpp | Rust
