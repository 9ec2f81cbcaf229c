"""Hand-written headers in the styles that a preprocessor, a C++ compiler or the frames of the chip decide.

The headers are invented, for the invented chips of this project. One mistake is planted at a time: a sound header
must have no finding; of the mistakes at least 95 % must be found. `pytest -s` prints what was found in each style.
"""

from __future__ import annotations

import sys
from functools import lru_cache

import pytest

from regmap.chip.model import Chip
from regmap.lint.header import Lint, lint
from regmap.maps.load import load_map

Planted = tuple[str, str]
#: headers that others include
INCLUDED = {
    "regs.def": "REGISTER(STATUS1, 0x0)\nREGISTER(STATUS2, 0x1)\nREGISTER(MODE, 0x3)\nREGISTER(LOCK, 0xB)\nREGISTER(ID, 0xF)\n",
    "bits.h": "#pragma once\n#define BITS(hi, lo) (((1u << ((hi) - (lo) + 1u)) - 1u) << (lo))\n#define SKUNK_BASE 0\n",
}  # fmt: skip
#: style -> chip, header, mistakes as (text, what it becomes)
CORPUS: dict[str, tuple[str, str, list[Planted]]] = {
    "masks of a stated width": (
        "quoll16",
        """
#include <linux/bits.h>
#define QOL_TIMING               0x06
#define QOL_TIMING_FILTER        GENMASK_U16(9, 8)
#define QOL_TIMING_BLANKING      GENMASK_U8(7, 6)
#define QOL_TIMING_FULL_DRIVE    GENMASK_ULL(5, 4)
#define QOL_TIMING_DEAD_TIME     GENMASK_U32(2, 0)
#define QOL_WATCHDOG_ENABLE      BIT_U16(0)
#define QOL_WATCHDOG_ACTION      BIT_U8(3)
#define QOL_SUPPLY_OV            __GENMASK(9, 8)
#define QOL_SUPPLY_OV_27V        FIELD_PREP_CONST(QOL_SUPPLY_OV, 1)
#define QOL_SENSE_GAIN_X36       FIELD_PREP(GENMASK(1, 0), 2)
""",
        [
            ("GENMASK_U16(9, 8)", "GENMASK_U16(9, 7)"),
            ("GENMASK_U8(7, 6)", "GENMASK_U8(6, 5)"),
            ("GENMASK_ULL(5, 4)", "GENMASK_ULL(5, 3)"),
            ("GENMASK_U32(2, 0)", "GENMASK_U32(3, 0)"),
            ("BIT_U16(0)", "BIT_U16(1)"),
            ("BIT_U8(3)", "BIT_U8(4)"),
            ("__GENMASK(9, 8)", "__GENMASK(8, 7)"),
            ("QOL_SUPPLY_OV, 1)", "QOL_SUPPLY_OV, 2)"),
            ("GENMASK(1, 0), 2)", "GENMASK(1, 0), 1)"),
            ("0x06", "0x05"),
        ],
    ),
    "conditions choose the revision": (
        "quoll16",
        """
#ifndef CHIP_REVISION
#define CHIP_REVISION 2
#endif
#if CHIP_REVISION >= 2
#define RV_TIMING_ADDR 0x6
#define RV_TIMING_DEAD_TIME_MASK 0x007
#define RV_VDS_ADDR 0x7
#elif CHIP_REVISION == 1
#define RV_TIMING_ADDR 0x16
#define RV_TIMING_DEAD_TIME_MASK 0x01F
#define RV_VDS_ADDR 0x17
#else
#error which chip
#endif
#if defined(__GNUC__) && 0
#define RV_SENSE_ADDR 0x18
#else
#define RV_SENSE_ADDR 0x8
#endif
#define RV_WATCHDOG_ADDR 0
#undef RV_WATCHDOG_ADDR
#define RV_WATCHDOG_ADDR 0x9
""",
        [
            ("ADDR 0x6", "ADDR 0x5"),
            ("MASK 0x007", "MASK 0x00E"),
            ("ADDR 0x7", "ADDR 0x8"),
            ("RV_SENSE_ADDR 0x8", "RV_SENSE_ADDR 0xA"),
            ("ADDR 0x9", "ADDR 0xA"),
            ("REVISION >= 2", "REVISION > 2"),
            ("CHIP_REVISION 2", "CHIP_REVISION 1"),
        ],
    ),
    "a list that is included": (
        "quoll16",
        """
#define REGISTER(name, address) SK_##name##_ADDR = address,
enum sk_addresses {
#include "regs.def"
};
#undef REGISTER
#include "bits.h"
#include "bits.h"
enum { SK_SENSE_ADDR = SKUNK_BASE + 8 };
#define SK_SENSE_OC_TH_MASK BITS(6, 5)
#define SK_SENSE_OC_FILT_MASK BITS(8, 7)
#define SK_SENSE_GAIN_MASK BITS(1, 0)
""",
        [
            ("BASE + 8", "BASE + 7"),
            ("BITS(6, 5)", "BITS(6, 4)"),
            ("BITS(8, 7)", "BITS(9, 8)"),
            ("BITS(1, 0)", "BITS(2, 0)"),
            ("= address,", "= address + 1,"),
        ],
    ),
    "namespaces": (
        "numbat24",
        """
#include <cstdint>
namespace acme::numbat {
namespace bridge {
inline constexpr std::uint8_t address = 0x10;
namespace pwm {
constexpr std::uint8_t mask = 0b1100'0000;
constexpr unsigned shift{6};
}
namespace cross { constexpr std::uint8_t mask = 1u << 5; }
}  // namespace bridge
namespace control {
constexpr auto address = std::uint8_t{8};
constexpr std::uint8_t enable_mask = 0x80, brake_mask = 0x20;
}
namespace revision {
constexpr std::uint8_t address = bridge::address - 9;
constexpr std::uint8_t metal_shift = 4;
}
}
""",
        [
            ("address = 0x10", "address = 0x11"),
            ("1100'0000", "0110'0000"),
            ("shift{6}", "shift{5}"),
            ("1u << 5", "1u << 4"),
            ("uint8_t{8}", "uint8_t{9}"),
            ("0x80", "0x40"),
            ("brake_mask = 0x20", "brake_mask = 0x10"),
            ("address - 9", "address - 8"),
            ("metal_shift = 4", "metal_shift = 3"),
        ],
    ),
    "classes of constants": (
        "quoll16",
        """
#include <cstdint>
struct Timing {
    static constexpr std::uint8_t address = 6;
    static constexpr std::uint16_t dead_time_mask = 0x007;
    static constexpr std::uint16_t blanking_mask = 3 << 6;
    static constexpr int filter_shift = 8;
    enum Dead_Time { DEAD_TIME_150ns, DEAD_TIME_250ns, DEAD_TIME_350ns };
};
struct Sense {
    static constexpr std::uint8_t address = Timing::address + 2;
    static const unsigned gain_width = 2;
};
enum class SenseGain : std::uint8_t { X9, X18, X36, X72 };
""",
        [
            ("address = 6", "address = 7"),
            ("0x007", "0x003"),
            ("3 << 6", "3 << 5"),
            ("filter_shift = 8", "filter_shift = 9"),
            ("DEAD_TIME_250ns, DEAD_TIME_350ns", "DEAD_TIME_350ns, DEAD_TIME_250ns"),
            ("address + 2", "address + 3"),
            ("gain_width = 2", "gain_width = 3"),
            ("X18, X36", "X36, X18"),
        ],
    ),
    "rows made by a macro": (
        "quoll16",
        """
#include <stdint.h>
struct entry { uint8_t reg; uint16_t value; };
#define R_MODE 3u
#define R_TIMING 6u
#define R_VDS 7u
#define R_SUPPLY 0xCu
#define ENTRY(r, v) { .value = (uint16_t)(v), .reg = (uint8_t)(r) }
#define PAIR(name, v) { R_##name, v },
static const struct entry reset_values[] = {
  ENTRY(R_MODE, 0x02A),
  ENTRY(R_TIMING,
        0x297),
};
static const struct entry more_reset_values[] = { PAIR(VDS, 0x0A0) PAIR(SUPPLY, 0x040) };
static const struct entry wanted[] = { PAIR(TIMING, 0x265) };
""",
        [
            ("0x02A", "0x02B"),
            ("0x297", "0x279"),
            ("0x0A0", "0x0A8"),
            ("0x040", "0x041"),
            ("0x265", "0x26D"),
            ("R_VDS 7u", "R_VDS 8u"),
            ("R_SUPPLY 0xCu", "R_SUPPLY 0xDu"),
        ],
    ),
    "setters of several statements": (
        "quoll16",
        """
#include <stdint.h>
#define TIMING_BLANKING_POS 6
static inline uint16_t timing_blanking_set(uint16_t w, uint16_t v)
{
    const uint16_t mask = (uint16_t)(0x3u << TIMING_BLANKING_POS);
    w &= (uint16_t)~mask;
    w |= (uint16_t)((uint16_t)(v << TIMING_BLANKING_POS) & mask);
    return w;
}
static inline void vds_threshold_set(uint16_t *word, unsigned code)
{
    *word = (uint16_t)((*word & ~0x0F0u) | ((code & 0xFu) << 4));
}
static inline uint16_t sense_gain_get(uint16_t word)
{
    uint16_t code = word;
    code >>= 0;
    return code & 3u;
}
static inline uint16_t supply_ov_set(uint16_t word, uint8_t code)
{
    if (code > 3) {
        code = 3;
    }
    word = (uint16_t)(word & 0xFFu);
    word += (uint16_t)(code << 8);
    return word;
}
static inline uint16_t watchdog_window_get(const uint16_t word)
{
    return (uint16_t)((word >> 1) & 0x3);
}
""",
        [
            ("BLANKING_POS 6", "BLANKING_POS 5"),
            ("(0x3u <<", "(0x7u <<"),
            ("w &= (uint16_t)~mask;", "w &= mask;"),
            ("~0x0F0u", "~0x0E0u"),
            ("0xFu) << 4", "0xFu) << 3"),
            ("(code & 0xFu)", "(code & 0x7u)"),
            ("code >>= 0", "code >>= 1"),
            ("code & 3u", "code & 1u"),
            ("code << 8", "code << 7"),
            ("word & 0xFFu", "word & 0x7Fu"),
            ("word >> 1", "word >> 2"),
        ],
    ),
    "words by address": (
        "quoll16",
        """
#include <stdint.h>
const uint16_t quoll_reset_words[0x10] = {
    [0x3] = 0x02A, [0x4] = 0x143,
    [0x5] = 0x143, [0x6] = 0x297,
    [0x7] = 0x0A0, [0x8] = 0x0E4,
    [0xC] = 0x040,
};
struct pair { uint8_t address; uint16_t data; };
static const struct pair init_config[] = { { 0x6, 0x265 }, { 0x7, 0x0A0 }, { 8, 0x0E5 }, { .data = 0x143, .address = 0x4 } };
""",
        [
            ("[0x3] = 0x02A", "[0x3] = 0x02B"),
            ("0x297", "0x279"),
            ("[0x7] = 0x0A0", "[0x7] = 0x0B0"),
            ("0x0E4", "0x0E5"),
            ("[0xC]", "[0xD]"),
            ("0x265", "0x26D"),
            ("{ 0x7,", "{ 0xE,"),
        ],
    ),
    "frames": (
        "quoll16",
        """
#define QU_READ_STATUS1       0x8000u
#define QU_READ_ID            0xF800u
#define QU_STATUS2_READ       0x8801u
#define QU_WRITE_TIMING_RESET 0x352Fu
#define QU_UNLOCK_FRAME       0x5968u
#define QU_LOCK_FRAME         0x5896u
#define QU_WRITE_TIMING_600NS 0x3529u /* TIMING = 0x294 */
#define QU_CMD_READ           (1u << 15)
#define QU_ADDR_SHIFT         11
#define QU_ADDR_MASK          0x7800u
#define QU_DATA_MASK          0x07FEu
#define QU_PARITY_MASK        0x0001u
""",
        [
            ("0x8000u", "0x8801u"),
            ("0xF800u", "0xF801u"),
            ("0x8801u", "0x9001u"),
            ("0x352Fu", "0x352Cu"),
            ("0x5968u", "0x5969u"),
            ("0x5896u", "0x5894u"),
            ("TIMING = 0x294", "TIMING = 0x297"),
            ("(1u << 15)", "(1u << 14)"),
            ("SHIFT         11", "SHIFT         10"),
            ("0x7800u", "0x3C00u"),
            ("0x07FEu", "0x0FFEu"),
            ("0x0001u", "0x0002u"),
        ],
    ),
    "frames with a checksum": (
        "numbat24",
        """
static const unsigned long NB_READ_STATUS = 0x40002CUL;
static const unsigned long NB_READ_ID = 0x460004UL;
#define NB_WRITE_SRC_HS_RESET 0x9104CFUL
#define NB_SOFT_RESET_FRAME   0xD5C346UL
#define NB_CMD_CLEAR_ALL      0xCA351DUL
#define NB_STATUS_ADDR        0x0
#define NB_BRIDGE_ADDR        0x10
""",
        [
            ("0x40002C", "0x40002D"),
            ("0x460004", "0x470004"),
            ("0x9104CF", "0x9105CF"),
            ("0xD5C346", "0xD5C347"),
            ("0xCA351D", "0xCA361D"),
            ("ADDR        0x10", "ADDR        0x11"),
        ],
    ),
    "constants shared with assembler": (
        "quoll16",
        """
#ifdef __ASSEMBLER__
#define UL(x) x
#else
#define UL(x) (x##UL)
#endif
#define _AC(x, s) x##s
#define QL_TIMING UL(6)
#define QL_TIMING_FILTER_MASK (UL(3) << 8)
#define QL_VDS_RESET UL(0xA0)
#define QL_SENSE_ADDR _AC(8, u)
#define QL_SENSE_GAIN_MASK (_AC(3, U) << 0)
""",
        [
            ("UL(6)", "UL(5)"),
            ("UL(3) << 8", "UL(3) << 7"),
            ("UL(0xA0)", "UL(0xB0)"),
            ("_AC(8, u)", "_AC(9, u)"),
            ("_AC(3, U)", "_AC(1, U)"),
        ],
    ),
    "codes named by their enumeration": (
        "quoll16",
        """
typedef enum { X9, X18, X36, X72 } sense_gain_t;
enum lock_key { OPEN = 0xB4, LOCKED = 0x4B };
typedef enum quoll_reg { STATUS1, STATUS2, STATUS3, MODE, GATE_HS, GATE_LS, TIMING } quoll_reg_t;
#define SENSE_ADDR 8
#define LOCK_ADDR 0xB
""",
        [
            ("X18, X36", "X36, X18"),
            ("{ X9,", "{ X9 = 1,"),
            ("0xB4", "0xB5"),
            ("LOCKED = 0x4B", "LOCKED = 0xB4"),
            ("MODE, GATE_HS", "GATE_HS, MODE"),
            ("SENSE_ADDR 8", "SENSE_ADDR 9"),
        ],
    ),
}
#: sound headers that hold much that is not about registers, in words that a map uses too
SOUND = {
    "a layer of C with much else": (
        "quoll16",
        """
#ifndef DRV_HAL_H
#define DRV_HAL_H
#include <stdint.h>
#ifdef __cplusplus
extern "C" {
#endif
#define DRV_SPI_FRAME_BITS 16
#define DRV_SPI_DATA_MASK 0x3FFu
#define DRV_SPI_DATA_SHIFT 1
#define DRV_SPI_ADDR_SHIFT 11
#define DRV_TIMEOUT_MS 10
#define DRV_READ_RETRIES 300
#define DRV_WRITE_DELAY_US 50
enum { DRV_OP_WRITE, DRV_OP_READ };
typedef enum { DRV_OK, DRV_ERR_PARITY, DRV_ERR_FRAME = 0x8001 } drv_err_t;
typedef struct { uint8_t reg; uint16_t val; } drv_cfg_t;
#define DRV_REG_COUNT 14
extern const drv_cfg_t drv_cfg[DRV_REG_COUNT];
#define DRV_REG_MODE 3
#define DRV_REG_TIMING 6
#define DRV_REG_VDS 7
static const drv_cfg_t cfg_table[] = { { DRV_REG_MODE, 0x01A }, { DRV_REG_TIMING, 0x265 } };
static const uint16_t sine_values[4] = { 0, 300, 600, 1000 };
static const uint16_t delay_words[] = { [0] = 1, [1] = 2, [2] = 70 };
#ifdef __cplusplus
}
#endif
#endif
""",
    ),
    "classes of C++ with much else": (
        "quoll16",
        """
#pragma once
#include <cstdint>
#include <array>
namespace drv {
enum class Register : std::uint8_t { Status1 = 0x0, Status2 = 0x1, Mode = 0x3, GateHs = 0x4, Timing = 0x6, Vds = 0x7, Sense = 0x8 };
enum class Status { Ok, ParityError, Locked };
template <typename T> class Field {
 public:
  constexpr Field(unsigned hi, unsigned lo) : mask_((1u << (hi - lo + 1)) - 1), lo_(lo) {}
  constexpr T get(std::uint16_t w) const { return static_cast<T>((w >> lo_) & mask_); }
 private:
  unsigned mask_; unsigned lo_;
};
inline constexpr Field<unsigned> timing_filter{9, 8};
class Driver {
 public:
  static constexpr int kRetries = 3;
  explicit Driver(int cs);
  Status read(Register r, std::uint16_t& out);
  static constexpr std::uint16_t kTimingReset = 0x297;
 private:
  int cs_;
};
namespace sense { inline constexpr std::uint16_t kGainMask = 0x003; inline constexpr int kOcThShift = 5; }
constexpr std::array<std::uint16_t, 3> table{1, 2, 3};
}
""",
    ),
    "numbers beside the registers": (
        "numbat24",
        """
#define NB_MASK_ADDR 0x1F
#define NB_STATUS 0
#define NB_STATUS_LOCKED (1u<<6)
#define NB_FRAME_LEN 24
#define NB_CRC_POLY 0x2F
#define NB_CRC_INIT 0xFF
#define NB_CRC_MASK 0xFF
#define NB_ADDR_MASK 0x3F
#define NB_OP_READ 1
#define NB_OP_WRITE 2
#define NB_CMD_SOFT_RESET 0x15
#define NB_CLEAR_FRAME_COUNT 70000
#define NB_RX_FRAME 4096
#define NB_BRIDGE 0x10
#define NB_BRIDGE_PWM GENMASK(7, 6)
""",
    ),
    "constants shared with assembler": (
        "quoll16",
        """
#ifdef __ASSEMBLER__
#define UL(x) x
#else
#define UL(x) (x##UL)
#endif
#define QL_TIMING UL(6)
#define QL_TIMING_FILTER_MASK (UL(3) << 8)
#define QL_VDS_RESET UL(0xA0)
#define _AC(x, s) x##s
#define QL_SENSE_ADDR _AC(8, u)
""",
    ),
}
PLANTED = [(style, old, new) for style, (_, _, rows) in CORPUS.items() for old, new in rows]


@lru_cache(maxsize=8)
def chip_of(name: str) -> Chip:
    return load_map(name)


def read(style: str, text: str, files: dict[str, str] = INCLUDED) -> Lint:
    chip = chip_of(CORPUS[style][0])
    return lint(chip, text, "h.h", lambda _of, name: (name, files[name]) if name in files else None)


@pytest.mark.parametrize("style", CORPUS)
def test_a_sound_header_raises_no_alarm(style: str) -> None:
    result = read(style, CORPUS[style][1])
    assert [str(p) for p in result.problems] == []
    assert result.read >= 5, [str(p) for p in result.skipped]


@pytest.mark.parametrize("style", SOUND)
def test_what_is_not_about_the_chip_raises_no_alarm(style: str) -> None:
    name, text = SOUND[style]
    result = lint(chip_of(name), text, "h.hpp" if "cstdint" in text else "h.h")
    assert [str(p) for p in result.problems] == []
    assert result.read >= 4


def test_planted_mistakes_are_found() -> None:
    assert len(PLANTED) >= 80
    missed = []
    for style, old, new in PLANTED:
        text = CORPUS[style][1]
        assert text.count(old) == 1, (style, old, text.count(old))
        if not read(style, text.replace(old, new)).problems:
            missed.append((style, old, new))
    for style, (_, _, rows) in CORPUS.items():
        found = len(rows) - sum(m[0] == style for m in missed)
        sys.stdout.write(f"{style:34} {found:3} of {len(rows)}\n")
    sys.stdout.write(f"{'all':34} {len(PLANTED) - len(missed):3} of {len(PLANTED)}\n")
    assert len(missed) * 20 <= len(PLANTED), missed


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [("regs.def", "0xB", "0xA"), ("regs.def", "STATUS2, 0x1", "STATUS2, 0x2"), ("bits.h", "+ 1u", "+ 2u"), ("bits.h", "BASE 0", "BASE 1")],
)  # fmt: skip
def test_mistakes_in_what_is_included_are_found(file: str, old: str, new: str) -> None:
    style = "a list that is included"
    wrong = {**INCLUDED, file: INCLUDED[file].replace(old, new)}
    assert wrong != INCLUDED
    assert read(style, CORPUS[style][1], wrong).problems
