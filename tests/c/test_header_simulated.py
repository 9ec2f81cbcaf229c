"""The self-test for the target, in C and C++, on simulated AVR (simavr) and Cortex-M0 and M4 (QEMU); sdcc's targets: test_header_selftest.

The suite takes the maps with the oddest frames; GATEWORD_ALL_TARGETS=1 runs every map on every target.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.cheader import Options, select
from regmap.cheader.languages import generate_in, self_test_in
from regmap.maps.load import load_map

from . import test_header_selftest as selftest

HERE = Path(__file__).parent
ALL = os.environ.get("GATEWORD_ALL_TARGETS") == "1"

AVR = """
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include "gd.h"
uint16_t gd_self_test(void);
static void put(char c) { while ((UCSR0A & (1 << UDRE0)) == 0) { } UDR0 = c; }
int main(void)
{
    const uint16_t n = gd_self_test();
    uint16_t d;
    UCSR0B = 1 << TXEN0;
    put('=');
    for (d = 10000U; d > 0U; d /= 10U) { put((char)('0' + (n / d) % 10U)); }
    put(';');
    put('\\n');
    cli();            /* asleep without interrupts: the simulator ends */
    sleep_enable();
    sleep_cpu();
    for (;;) { }
}
"""
#: no C library: a vector table, and the semihosting calls that QEMU answers (Arm, "Semihosting for AArch32 and AArch64")
ARM = """
#include "gd.h"
uint16_t gd_self_test(void);
static void call(unsigned int what, const void *with)
{
    register unsigned int r0 __asm__("r0") = what;
    register const void *r1 __asm__("r1") = with;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}
void start(void);
void start(void)
{
    const uint16_t n = gd_self_test();
    static const char digits[] = "0123456789";
    char text[] = "=00000;\\n";
    unsigned int rest = n;
    unsigned int i;
    for (i = 5U; i > 0U; i--) { text[i] = digits[rest % 10U]; rest /= 10U; }
    call(0x04U, text);                     /* SYS_WRITE0 */
    call(0x18U, (const void *)0x20026U);   /* SYS_EXIT: ADP_Stopped_ApplicationExit */
    for (;;) { }
}
__attribute__((section(".vectors"), used)) static const void *const vectors[2] = {(const void *)0x20002000U, (const void *)start};
void *memset(void *to, int value, unsigned int size);
void *memset(void *to, int value, unsigned int size)
{
    unsigned char *at = to;
    while (size-- > 0U) { *at++ = (unsigned char)value; }
    return to;
}
void *memcpy(void *to, const void *from, unsigned int size);
void *memcpy(void *to, const void *from, unsigned int size)
{
    unsigned char *at = to;
    const unsigned char *of = from;
    while (size-- > 0U) { *at++ = *of++; }
    return to;
}
"""
LAYOUT = """
MEMORY { FLASH (rx) : ORIGIN = 0, LENGTH = 256K  RAM (rw) : ORIGIN = 0x20000000, LENGTH = 8K }
SECTIONS { .text : { KEEP(*(.vectors)) *(.text*) *(.rodata*) } > FLASH  .data : { *(.data*) } > RAM  .bss : { *(.bss*) *(COMMON) } > RAM }
"""
TARGETS = {
    "avr": ("avr-gcc", ["-mmcu=atmega328p", "-Os"]),
    "cortex-m0": ("arm-none-eabi-gcc", ["-mcpu=cortex-m0", "-mthumb", "-Os"]),
    "cortex-m4": ("arm-none-eabi-gcc", ["-mcpu=cortex-m4", "-mthumb", "-O2"]),
}
MACHINES = {"cortex-m0": "microbit", "cortex-m4": "mps2-an386"}
CASES = (
    [(n, t) for n in selftest.MAPS for t in TARGETS]
    if ALL
    else [("bilby32", "avr"), ("wombat24", "cortex-m0"), ("potoroo40", "cortex-m4")]
)


def run(
    name: str, target: str, folder: Path, need_tool: Callable[[str], str], change: Callable[[str], str] = str
) -> str:  # fmt: skip
    """What the simulator printed."""
    files = selftest.put(name, selftest.SMALL, folder, change)
    return simulated(target, folder, files, need_tool)


def in_cpp(name: str, folder: Path, change: Callable[[str], str] = str) -> list[Path]:
    """The self-test of a map in C++17, to be called from C."""
    chip = load_map(name)
    # what is wrong would stop the build
    options = Options(prefix="gd", sections=select(without=["asserts"]))
    header = generate_in("cpp", chip, options).header
    files = {
        "gd.h": "#include <stdint.h>\n",
        "gd.hpp": change(header),
        "gd_test.cpp": self_test_in("cpp", chip, options, "gd.hpp"),
        "glue.cpp": '#include "gd.hpp"\nnamespace gd { uint16_t self_test() noexcept; }\n'
        'extern "C" uint16_t gd_self_test(void);\nuint16_t gd_self_test(void) { return gd::self_test(); }\n',
    }
    for file, text in files.items():
        (folder / file).write_text(text, "utf-8")
    return [folder / "gd_test.cpp", folder / "glue.cpp"]


def simulated(target: str, folder: Path, files: list[Path], need_tool: Callable[[str], str]) -> str:
    """What the simulator prints of these files and a main program."""
    tool, flags = TARGETS[target]
    (folder / "main.c").write_text(AVR if target == "avr" else ARM, "utf-8")
    program = folder / "a.elf"
    more = []
    if target != "avr":
        (folder / "layout.ld").write_text(LAYOUT, "utf-8")
        more = [
            "-ffreestanding",
            "-nostdlib",
            "-T",
            str(folder / "layout.ld"),
            "-fno-tree-loop-distribute-patterns",
        ]
    strict = ["-Wall", "-Wextra", "-Werror", "-I", str(folder)]
    if files[0].suffix == ".cpp":  # compiled by their own compiler first
        plus = [need_tool(tool.replace("gcc", "g++")), *flags, *strict, "-std=c++17", "-ffreestanding", "-fno-exceptions",
                "-fno-rtti", "-Wold-style-cast", "-Wconversion"]  # fmt: skip
        for file in files:
            subprocess.run([*plus, "-c", file, "-o", file.with_suffix(".o")], check=True)
        files = [file.with_suffix(".o") for file in files]
    subprocess.run(
        [need_tool(tool), *flags, "-std=gnu99", *strict, *more, folder / "main.c", *files, "-o", program, *(["-lgcc"] if more else [])],
        check=True,
    )  # fmt: skip
    if target == "avr":
        line = [need_tool("simavr"), "-m", "atmega328p", "-f", "16000000", str(program)]
    else:
        line = [need_tool("qemu-system-arm"), "-M", MACHINES[target], "-kernel", str(program), "-nographic", "-monitor", "none",
                "-serial", "none", "-semihosting-config", "enable=on,target=native"]  # fmt: skip
    done = subprocess.run(
        line, capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL
    )
    return done.stdout + done.stderr


@pytest.mark.parametrize(("name", "target"), CASES)
def test_vectors_on_a_simulated_target(
    name: str, target: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    assert "=00000;" in run(name, target, tmp_path, need_tool)


@pytest.mark.parametrize(
    ("name", "target"),
    [(n, t) for n in selftest.MAPS for t in MACHINES] if ALL else [("wombat24", "cortex-m0")],
)
def test_vectors_in_cpp_on_a_simulated_target(
    name: str, target: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    assert "=00000;" in simulated(target, tmp_path, in_cpp(name, tmp_path), need_tool)


def test_a_wrong_routine_in_cpp_is_told_on_the_target(
    tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    files = in_cpp("quoll16", tmp_path, lambda t: t.replace("<< 11U", "<< 10U", 1))
    said = simulated("cortex-m0", tmp_path, files, need_tool)
    assert "=00000;" not in said
    assert "=0" in said


@pytest.mark.parametrize("target", ["avr", "cortex-m0"])
def test_a_wrong_routine_is_told_on_the_target(
    target: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """As if its compiler had lost a shift."""
    said = run("quoll16", target, tmp_path, need_tool, lambda t: t.replace("<< 11U", "<< 10U", 1))
    assert "=00000;" not in said
    assert "=0" in said
