"""The same tables and routines in C++17 and Rust: one walk over the model, two ways to write it down.

text = generate_in("cpp", load_stage("coolant_pump"), Options(prefix="gd")).header
"""

from .generate import LANGUAGES, generate_in
from .selftest import self_test_in

__all__ = ["LANGUAGES", "generate_in", "self_test_in"]
