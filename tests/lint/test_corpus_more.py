"""Twenty-one more hand-written headers, in styles of which the first corpus has none, written without looking at the reader.

The headers are invented, for the invented chips of this project. One mistake is planted at a time: a sound header
must have no finding; of the mistakes at least 95 % must be found.
"""

from __future__ import annotations

from functools import lru_cache

import pytest

from regmap.chip.model import Chip
from regmap.lint.header import lint
from regmap.maps.load import load_map

Planted = tuple[str, str]
#: style -> chip, header, mistakes as (text, what it becomes)
CORPUS: dict[str, tuple[str, str, list[Planted]]] = {
    "highest and lowest bit": (
        "quoll16",
        """
#define QL_TIMING_ADDRESS         (0x06)
#define QL_TIMING_FILTER_MSB      (9)
#define QL_TIMING_FILTER_LSB      (8)
#define QL_TIMING_BLANKING_MSB    (7)
#define QL_TIMING_BLANKING_LSB    (6)
#define QL_TIMING_DEAD_TIME_MSB   (2)
#define QL_TIMING_DEAD_TIME_LSB   (0)
#define QL_SENSE_ADDRESS          (0x08)
#define QL_SENSE_OC_FILT_MSB      (8)
#define QL_SENSE_OC_FILT_LSB      (7)
""",
        [
            ("(0x06)", "(0x05)"),
            ("FILTER_MSB      (9)", "FILTER_MSB      (8)"),
            ("BLANKING_LSB    (6)", "BLANKING_LSB    (5)"),
            ("DEAD_TIME_MSB   (2)", "DEAD_TIME_MSB   (3)"),
            ("OC_FILT_LSB      (7)", "OC_FILT_LSB      (6)"),
            ("(0x08)", "(0x09)"),
        ],
    ),
    "offset and width": (
        "numbat24",
        """
#define NB_BRIDGE_REG              0x10U
#define NB_BRIDGE_PWM_OFFSET       6U
#define NB_BRIDGE_PWM_WIDTH        2U
#define NB_BRIDGE_CROSS_OFFSET     5U
#define NB_BRIDGE_CROSS_WIDTH      1U
#define NB_VDS_TIME_REG            0x1AU
#define NB_VDS_TIME_BLANKING_OFFSET 4U
#define NB_VDS_TIME_BLANKING_WIDTH 4U
#define NB_VDS_TIME_FILTER_OFFSET  0U
#define NB_VDS_TIME_FILTER_WIDTH   4U
""",
        [
            ("0x10U", "0x11U"),
            ("PWM_OFFSET       6U", "PWM_OFFSET       5U"),
            ("PWM_WIDTH        2U", "PWM_WIDTH        3U"),
            ("CROSS_OFFSET     5U", "CROSS_OFFSET     4U"),
            ("BLANKING_OFFSET 4U", "BLANKING_OFFSET 3U"),
            ("FILTER_WIDTH   4U", "FILTER_WIDTH   3U"),
            ("0x1AU", "0x1BU"),
        ],
    ),
    "constants of a type": (
        "quoll16",
        """
#include <stdint.h>
static const uint8_t  QL_ADDR_MODE     = 0x03u;
static const uint8_t  QL_ADDR_SUPPLY   = 0x0Cu;
static const uint16_t QL_RESET_MODE    = 0x02Au;
static const uint16_t QL_RESET_GATE_LS = 0x143u;
static const uint16_t QL_MODE_RETRY_MASK = 0x00C0u;
static const uint8_t  QL_MODE_RETRY_SHIFT = 6u;
static const uint16_t QL_SUPPLY_OV_MASK  = 0x0300u;
static const uint8_t  QL_SUPPLY_OV_SHIFT = 8u;
""",
        [
            ("0x03u", "0x02u"),
            ("0x0Cu", "0x0Du"),
            ("0x02Au", "0x01Au"),
            ("0x143u", "0x134u"),
            ("0x00C0u", "0x0060u"),
            ("= 6u", "= 7u"),
            ("0x0300u", "0x0700u"),
        ],
    ),
    "constants of C++": (
        "quoll16",
        """
#pragma once
#include <cstdint>
namespace ql {
constexpr std::uint8_t ADDR_GATE_HS{0x4};
constexpr std::uint8_t ADDR_VDS{0x7};
constexpr std::uint16_t VDS_THRESHOLD_MASK = 0b0011'110000;
constexpr unsigned VDS_THRESHOLD_SHIFT = 4;
inline constexpr std::uint16_t GATE_HS_HOLD_MASK = 3u << 8;
inline constexpr std::uint16_t GATE_HS_SINK_MASK = 15u << 4;
constexpr auto RESET_VDS = std::uint16_t{0x0A0};
}  // namespace ql
""",
        [
            ("{0x4}", "{0x5}"),
            ("{0x7}", "{0x8}"),
            ("0b0011'110000", "0b0001'110000"),
            ("SHIFT = 4", "SHIFT = 5"),
            ("3u << 8", "3u << 7"),
            ("15u << 4", "15u << 5"),
            ("{0x0A0}", "{0x0A1}"),
        ],
    ),
    "scoped enumerators": (
        "quoll16",
        """
enum class Reg : uint8_t {
    Status1 = 0x0, Status2, Status3,
    Mode,
    GateHs, GateLs,
    Timing = 0x6,
    Vds = 0x7,
    Sense = 0x8,
};
enum class ModePwm : uint8_t { OneInput = 0, SixInput = 2, ThreeInput = 3 };
enum class ModeOcAct : uint8_t { Report, Off, Latch, Retry };
enum class SenseGain : uint8_t { X9 = 0, X18 = 1, X36 = 2, X72 = 3 };
""",
        [
            ("Status1 = 0x0", "Status1 = 0x1"),
            ("Timing = 0x6", "Timing = 0x7"),
            ("Sense = 0x8", "Sense = 0x9"),
            ("SixInput = 2", "SixInput = 1"),
            ("Report, Off, Latch, Retry", "Off, Report, Latch, Retry"),
            ("X36 = 2", "X36 = 3"),
        ],
    ),
    "a union of word and fields": (
        "quoll16",
        """
#include <stdint.h>
/* allocated from bit 0 upwards */
typedef union {
    uint16_t raw;
    struct {
        uint16_t pwm       : 2;
        uint16_t vds_act   : 2;
        uint16_t oc_act    : 2;
        uint16_t retry     : 2;
        uint16_t ot_act    : 1;
        uint16_t pump_mute : 1;
        uint16_t           : 6;
    } bits;
} ql_mode_t;
typedef union {
    uint16_t raw;
    struct {
        uint16_t gain    : 2;
        uint16_t middle  : 1;
        uint16_t cal     : 1;
        uint16_t warn_mute : 1;
        uint16_t oc_th   : 2;
        uint16_t oc_filt : 2;
        uint16_t oc_en   : 1;
    } bits;
} ql_sense_t;
""",
        [
            ("pwm       : 2", "pwm       : 3"),
            ("oc_act    : 2", "oc_act    : 1"),
            ("ot_act    : 1", "ot_act    : 2"),
            ("gain    : 2", "gain    : 3"),
            (
                "uint16_t middle  : 1;\n        uint16_t cal     : 1;",
                "uint16_t cal     : 1;\n        uint16_t middle  : 1;",
            ),
            ("oc_th   : 2", "oc_th   : 1"),
        ],
    ),
    "a list of registers for every use": (
        "quoll16",
        """
/* name, address, word at reset */
#define QL_REGISTERS(X)      \\
    X(MODE,     0x3, 0x02A)  \\
    X(GATE_HS,  0x4, 0x143)  \\
    X(GATE_LS,  0x5, 0x143)  \\
    X(TIMING,   0x6, 0x297)  \\
    X(VDS,      0x7, 0x0A0)  \\
    X(SENSE,    0x8, 0x0E4)
#define QL_AS_ADDRESS(name, address, reset) QL_##name##_ADDR = address,
#define QL_AS_RESET(name, address, reset) QL_##name##_RESET = reset,
enum { QL_REGISTERS(QL_AS_ADDRESS) };
enum { QL_REGISTERS(QL_AS_RESET) };
""",
        [
            ("MODE,     0x3", "MODE,     0x1"),
            ("0x02A", "0x02B"),
            ("GATE_LS,  0x5", "GATE_LS,  0x4"),
            ("0x297", "0x279"),
            ("VDS,      0x7", "VDS,      0x9"),
            ("0x0E4", "0x0E5"),
        ],
    ),
    "fields made by a macro": (
        "numbat24",
        """
#define DEF_FIELD(name, pos, width)                     \\
    enum {                                              \\
        name##_SHIFT = (pos),                           \\
        name##_MASK = (((1 << (width)) - 1) << (pos))   \\
    };
DEF_FIELD(NB_REACTION_VDS, 6, 2)
DEF_FIELD(NB_REACTION_OC, 4, 2)
DEF_FIELD(NB_REACTION_OT, 3, 1)
DEF_FIELD(NB_SENSE_GAIN, 4, 2)
DEF_FIELD(NB_SENSE_MIDDLE, 2, 2)
DEF_FIELD(NB_HOLD_HIGH, 4, 2)
""",
        [
            ("REACTION_VDS, 6, 2", "REACTION_VDS, 5, 2"),
            ("REACTION_OC, 4, 2", "REACTION_OC, 4, 1"),
            ("REACTION_OT, 3, 1", "REACTION_OT, 2, 1"),
            ("SENSE_GAIN, 4, 2", "SENSE_GAIN, 4, 3"),
            ("SENSE_MIDDLE, 2, 2", "SENSE_MIDDLE, 1, 2"),
            ("HOLD_HIGH, 4, 2", "HOLD_HIGH, 5, 2"),
        ],
    ),
    "codes in place": (
        "quoll16",
        """
enum ql_mode_bits {
    QL_MODE_OC_ACT_REPORT = 0x0 << 4,
    QL_MODE_OC_ACT_OFF    = 0x1 << 4,
    QL_MODE_OC_ACT_LATCH  = 0x2 << 4,
    QL_MODE_OC_ACT_RETRY  = 0x3 << 4,
    QL_MODE_RETRY_3MS     = 0x1 << 6,
    QL_MODE_RETRY_6MS     = 0x2 << 6,
    QL_MODE_OT_ACT_RETRY  = 0x1 << 8,
    QL_MODE_PWM_SIX_INPUT = 0x2 << 0,
};
""",
        [
            ("OFF    = 0x1 << 4", "OFF    = 0x2 << 4"),
            ("LATCH  = 0x2 << 4", "LATCH  = 0x2 << 5"),
            ("0x3 << 4", "0x3 << 2"),
            ("0x1 << 6", "0x1 << 7"),
            ("0x2 << 6", "0x3 << 6"),
            ("0x1 << 8", "0x1 << 9"),
            ("0x2 << 0", "0x3 << 0"),
        ],
    ),
    "defaults put together": (
        "quoll16",
        """
#define TIMING_FILTER(x)     (((x) & 0x3) << 8)
#define TIMING_BLANKING(x)   (((x) & 0x3) << 6)
#define TIMING_FULL_DRIVE(x) (((x) & 0x3) << 4)
#define TIMING_DEAD_TIME(x)  ((x) & 0x7)
#define TIMING_RESET  (TIMING_FILTER(2) | TIMING_BLANKING(2) | TIMING_FULL_DRIVE(1) | TIMING_DEAD_TIME(7))
#define GATE_LS_HOLD(x)      (((x) << 8) & 0x300)
#define GATE_LS_SINK(x)      (((x) << 4) & 0x0F0)
#define GATE_LS_SOURCE(x)    (((x) << 0) & 0x00F)
#define GATE_LS_RESET (GATE_LS_HOLD(1) | GATE_LS_SINK(4) | GATE_LS_SOURCE(3))
""",
        [
            ("0x3) << 8)", "0x3) << 7)"),
            ("& 0x7)", "& 0xF)"),
            ("TIMING_BLANKING(2)", "TIMING_BLANKING(1)"),
            ("TIMING_DEAD_TIME(7)", "TIMING_DEAD_TIME(4)"),
            ("& 0x0F0", "& 0x1F0"),
            ("GATE_LS_SINK(4)", "GATE_LS_SINK(3)"),
            ("<< 8) & 0x300", "<< 7) & 0x300"),
        ],
    ),
    "functions that set and get": (
        "quoll16",
        """
#include <stdint.h>
static inline uint16_t ql_mode_set_oc_act(uint16_t word, uint16_t value)
{
    return (uint16_t)((word & ~0x0030u) | ((value & 0x3u) << 4));
}
static inline uint16_t ql_timing_get_blanking(uint16_t word)
{
    return (uint16_t)((word >> 6) & 0x03u);
}
static inline uint16_t ql_sense_set_gain(uint16_t word, uint16_t value)
{
    return (uint16_t)((word & 0xFFFCu) | (value & 0x0003u));
}
static inline uint16_t ql_gate_hs_get_sink(uint16_t word) { return (word & 0xF0u) >> 4u; }
static inline int ql_watchdog_get_enable(uint16_t word) { return (word & 0x01) != 0; }
#define QL_MODE_ADDR 3
#define QL_TIMING_ADDR 6
#define QL_SENSE_ADDR 8
#define QL_GATE_HS_ADDR 4
#define QL_WATCHDOG_ADDR 9
""",
        [
            ("~0x0030u", "~0x0060u"),
            ("0x3u) << 4", "0x3u) << 5"),
            ("word >> 6", "word >> 5"),
            ("0xFFFCu", "0xFFF8u"),
            ("0xF0u) >> 4u", "0xF0u) >> 3u"),
            ("& 0x01)", "& 0x02)"),
        ],
    ),
    "a table of fields": (
        "quoll16",
        """
#include <stdint.h>
struct ql_field { uint8_t reg; uint8_t shift; uint8_t width; };
static const struct ql_field QL_GATE_HS_HOLD = { .reg = 0x4, .shift = 8, .width = 2 };
static const struct ql_field QL_GATE_HS_SINK = { .reg = 0x4, .shift = 4, .width = 4 };
static const struct ql_field QL_VDS_THRESHOLD = { .reg = 0x7, .shift = 4, .width = 4 };
static const struct ql_field QL_SENSE_OC_TH = { .reg = 0x8, .shift = 5, .width = 2 };
static const struct ql_field QL_WATCHDOG_WINDOW = { .reg = 0x9, .shift = 1, .width = 2 };
""",
        [
            (".shift = 8", ".shift = 7"),
            (".reg = 0x4, .shift = 4", ".reg = 0x5, .shift = 4"),
            (".reg = 0x7", ".reg = 0x6"),
            (".shift = 5, .width = 2", ".shift = 5, .width = 3"),
            (".reg = 0x9", ".reg = 0xA"),
            (".shift = 1,", ".shift = 2,"),
        ],
    ),
    "a table with names": (
        "numbat24",
        """
#include <stdint.h>
struct nb_reg { const char *name; uint8_t addr; uint8_t reset; };
static const struct nb_reg nb_regs[] = {
    { "BRIDGE",   0x10, 0x00 },
    { "HOLD",     0x15, 0x11 },
    { "DEADTIME", 0x16, 0x30 },
    { "SENSE",    0x1B, 0x14 },
    { "SUPPLY",   0x1E, 0x24 },
    { "RETRY",    0x22, 0x01 },
};
""",
        [
            ("0x10, 0x00", "0x11, 0x00"),
            ("0x11 }", "0x12 }"),
            ("0x16, 0x30", "0x17, 0x30"),
            ("0x1B", "0x1C"),
            ("0x24", "0x42"),
            ("0x22", "0x23"),
        ],
    ),
    "numbers of bits": (
        "quoll16",
        """
#define BIT(n) (1U << (n))
#define QL_STATUS1_OT_BIT         9
#define QL_STATUS1_UV_SUPPLY_BIT  8
#define QL_STATUS1_VDS_UH_BIT     3
#define QL_STATUS2_POR_BIT        9
#define QL_STATUS2_WD_BIT         7
#define QL_STATUS2_LOCKED_BIT     0
#define QL_STATUS1_OT             BIT(QL_STATUS1_OT_BIT)
#define QL_STATUS2_WD             BIT(QL_STATUS2_WD_BIT)
#define QL_STATUS2_OT_WARN        BIT(4)
""",
        [
            ("OT_BIT         9", "OT_BIT         8"),
            ("UV_SUPPLY_BIT  8", "UV_SUPPLY_BIT  7"),
            ("VDS_UH_BIT     3", "VDS_UH_BIT     4"),
            ("POR_BIT        9", "POR_BIT        8"),
            ("WD_BIT         7", "WD_BIT         6"),
            ("BIT(4)", "BIT(5)"),
        ],
    ),
    "ranges of bits by a macro": (
        "quokka16",
        """
#define FLD(hi, lo) (((1UL << ((hi) - (lo) + 1)) - 1) << (lo))
#define QK_MODE_RETRY       FLD(7, 6)
#define QK_MODE_OC_ACT      FLD(5, 4)
#define QK_GATE_HS_SOURCE   FLD(3, 0)
#define QK_TIMING_FILTER    FLD(9, 8)
#define QK_SENSE_OC_TH      FLD(6, 5)
#define QK_LOCK_KEY         FLD(7, 0)
#define QK_SUPPLY_UV        FLD(7, 6) /* lockout */
""",
        [
            ("RETRY       FLD(7, 6)", "RETRY       FLD(8, 7)"),
            ("FLD(5, 4)", "FLD(5, 3)"),
            ("FLD(3, 0)", "FLD(4, 0)"),
            ("FLD(9, 8)", "FLD(9, 7)"),
            ("FLD(6, 5)", "FLD(7, 5)"),
            ("FLD(7, 0)", "FLD(9, 0)"),
            ("FLD(7, 6) /*", "FLD(6, 5) /*"),
        ],
    ),
    "small letters, register first": (
        "numbat24",
        """
enum {
    nb_reg_control     = 0x08,
    nb_reg_vds_hs      = 0x18,
    nb_reg_overcurrent = 0x1c,
    nb_reg_watchdog    = 0x20,
};
enum {
    nb_watchdog_enable_mask = 0x80,
    nb_watchdog_action_mask = 0x40,
    nb_watchdog_closed_mask = 0x30,
    nb_watchdog_window_mask = 0x07,
};
""",
        [
            ("= 0x08", "= 0x09"),
            ("= 0x18", "= 0x19"),
            ("= 0x1c", "= 0x1d"),
            ("= 0x20", "= 0x21"),
            ("= 0x40", "= 0x20"),
            ("= 0x30", "= 0x38"),
            ("= 0x07", "= 0x0f"),
        ],
    ),
    "words at reset by index": (
        "quoll16",
        """
#include <stdint.h>
enum { MODE = 3, GATE_HS, GATE_LS, TIMING, VDS, SENSE };
static const uint16_t ql_reset_words[16] = {
    [MODE]    = 0x02A,
    [GATE_HS] = 0x143,
    [TIMING]  = 0x297,
    [VDS]     = 0x0A0,
    [SENSE]   = 0x0E4,
};
""",
        [
            ("MODE = 3", "MODE = 4"),
            ("= 0x02A", "= 0x0A2"),
            ("= 0x143", "= 0x145"),
            ("= 0x297", "= 0x29F"),
            ("= 0x0A0", "= 0x0B0"),
            ("= 0x0E4", "= 0x1E4"),
        ],
    ),
    "whole commands": (
        "quoll16",
        """
#define QL_READ            (1u << 15)
#define QL_WRITE           (0u << 15)
#define QL_ADDR(a)         ((unsigned)(a) << 11)
#define QL_DATA(d)         ((unsigned)(d) << 1)
#define QL_WRITE_MODE_OC_OFF    0x1834 /* MODE = 0x01A */
#define QL_WRITE_TIMING_600NS   0x3529 /* TIMING = 0x294 */
#define QL_WRITE_GATE_HS        0x2286 /* GATE_HS = 0x143 */
#define QL_MODE_ADDR       3
#define QL_TIMING_ADDR     6
#define QL_GATE_HS_ADDR    4
""",
        [
            ("0x1834", "0x1835"),
            ("0x3529", "0x3D29"),
            ("0x2286", "0xA286"),
            ("MODE_ADDR       3", "MODE_ADDR       5"),
            ("TIMING_ADDR     6", "TIMING_ADDR     7"),
            ("GATE_HS_ADDR    4", "GATE_HS_ADDR    6"),
        ],
    ),
    "values in arrays": (
        "quoll16",
        """
#include <stdint.h>
/* index: code of the field */
static const uint16_t ql_gate_hs_hold_ma[4] = { 68, 120, 240, 430 };
static const uint16_t ql_timing_dead_time_ns[] = { 150, 250, 350, 450, 600, 1000, 1400, 2000 };
static const uint16_t ql_sense_oc_th_mv[4] = { 18, 27, 47, 82 };
static const uint16_t ql_timing_filter_ns[4] = { 330, 680, 1000, 2200 };
static const uint8_t ql_sense_gain[4] = { 9, 18, 36, 72 };
#define QL_GATE_HS_ADDR 0x4
#define QL_TIMING_ADDR  0x6
#define QL_SENSE_ADDR   0x8
""",
        [
            ("240", "260"),
            ("350, 450", "450, 350"),
            ("1400", "1500"),
            ("47", "42"),
            ("680", "860"),
            ("36, 72", "32, 64"),
        ],
    ),
    "masks before the shift": (
        "potoroo40",
        """
#define PT_OUTPUT_ADDR                 0x10
#define PT_OUTPUT_SOURCE_SHIFT         9
#define PT_OUTPUT_SOURCE_MASK          (0xF << PT_OUTPUT_SOURCE_SHIFT)
#define PT_OUTPUT_FULL_DRIVE_SHIFT     4
#define PT_OUTPUT_FULL_DRIVE_MASK      (0x7 << PT_OUTPUT_FULL_DRIVE_SHIFT)
#define PT_MONITOR_ADDR                (PT_OUTPUT_ADDR + 1)
#define PT_MONITOR_OC_TRIP_SHIFT       8
#define PT_MONITOR_OC_TRIP_MASK        (0xF << PT_MONITOR_OC_TRIP_SHIFT)
#define PT_MONITOR_BLANKING_SHIFT      4
#define PT_MONITOR_BLANKING_MASK       (0x3 << PT_MONITOR_BLANKING_SHIFT)
#define PT_SPEED_ADDR                  (PT_OUTPUT_ADDR + 2)
""",
        [
            ("SOURCE_SHIFT         9", "SOURCE_SHIFT         8"),
            ("(0xF << PT_OUTPUT", "(0x1F << PT_OUTPUT"),
            ("(0x7 <<", "(0x3 <<"),
            ("OUTPUT_ADDR + 1", "OUTPUT_ADDR + 2"),
            ("OC_TRIP_SHIFT       8", "OC_TRIP_SHIFT       7"),
            ("BLANKING_SHIFT      4", "BLANKING_SHIFT      5"),
            ("0x10\n", "0x12\n"),
        ],
    ),
    "asserted by the build": (
        "wombat24",
        """
#define WB_GATE_SOURCE_MSK   0x7C00
#define WB_GATE_SINK_MSK     0x03E0
#define WB_GATE_FULL_DRIVE_MSK 0x001F
#define WB_GATE_ADR          0x03
#define WB_TIMING_ADR        0x04
#define WB_TIMING_BLANKING_MSK 0x0F00
#define WB_TIMING_DEAD_TIME_MSK 0x00FF
_Static_assert((WB_GATE_SOURCE_MSK & WB_GATE_SINK_MSK) == 0, "fields overlap");
_Static_assert(WB_GATE_ADR + 1 == WB_TIMING_ADR, "burst");
""",
        [
            ("0x7C00", "0x3C00"),
            ("0x03E0", "0x01E0"),
            ("0x001F", "0x000F"),
            ("0x03\n", "0x05\n"),
            ("0x04\n", "0x03\n"),
            ("0x0F00", "0x1F00"),
            ("0x00FF", "0x007F"),
        ],
    ),
}
PLANTED = [(style, old, new) for style, (_, _, rows) in CORPUS.items() for old, new in rows]


@lru_cache(maxsize=8)
def chip_of(name: str) -> Chip:
    return load_map(name)


@pytest.mark.parametrize("style", CORPUS)
def test_a_sound_header_raises_no_alarm(style: str) -> None:
    name, text, _ = CORPUS[style]
    result = lint(chip_of(name), text, "h.h")
    assert [str(p) for p in result.problems] == []
    assert result.read >= 5


def test_planted_mistakes_are_found() -> None:
    assert len(CORPUS) >= 20
    assert len(PLANTED) >= 120
    missed = []
    for style, old, new in PLANTED:
        name, text, _ = CORPUS[style]
        assert text.count(old) == 1, (style, old, text.count(old))
        if not lint(chip_of(name), text.replace(old, new), "h.h").problems:
            missed.append((style, old, new))
    assert len(missed) * 20 <= len(PLANTED), missed
