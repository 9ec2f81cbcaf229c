"""Twenty hand-written headers in the styles that firmware is written in, and mistakes planted one at a time.

The headers are invented, for the invented chips of this project. A sound one must have no finding; of
the mistakes at least 95 % must be found, on the line that was changed or one that it contradicts.
"""

from __future__ import annotations

from functools import lru_cache

import pytest

from regmap.chip.model import Chip
from regmap.lint.header import lint
from regmap.lint.mending import put_right
from regmap.maps.load import load_map

Planted = tuple[str, str]
#: style -> chip, header, mistakes as (text, what it becomes)
CORPUS: dict[str, tuple[str, str, list[Planted]]] = {
    "plain numbers": (
        "quoll16",
        """
#define QL_MODE_ADDR 0x3
#define QL_GATE_HS_ADDR 0x4
#define QL_TIMING_ADDR 0x6
#define QL_GATE_HS_HOLD_MASK 0x300
#define QL_GATE_HS_HOLD_SHIFT 8
#define QL_GATE_HS_SINK_MASK 0x0F0
#define QL_GATE_HS_SINK_SHIFT 4
#define QL_TIMING_DEAD_TIME_MASK 0x007
#define QL_TIMING_RESET 0x297
""",
        [
            ("ADDR 0x4", "ADDR 0x5"),
            ("ADDR 0x6", "ADDR 0x7"),
            ("0x300", "0x180"),
            ("SHIFT 8", "SHIFT 7"),
            ("0x0F0", "0x0E0"),
            ("0x297", "0x279"),
            ("0x007", "0x00F"),
        ],
    ),
    "shifted masks with suffixes": (
        "quoll16",
        """
#define DRV_SENSE_REG        (0x08u)
#define DRV_SENSE_OC_EN_Pos  (9u)
#define DRV_SENSE_OC_EN_Msk  (1ul << DRV_SENSE_OC_EN_Pos)
#define DRV_SENSE_OC_TH_Pos  (5u)
#define DRV_SENSE_OC_TH_Msk  (3ul << DRV_SENSE_OC_TH_Pos)
#define DRV_SENSE_GAIN_Pos   (0u)
#define DRV_SENSE_GAIN_Msk   (3ul << DRV_SENSE_GAIN_Pos)
#define DRV_SENSE_GAIN_X36   (2ul << DRV_SENSE_GAIN_Pos)
""",
        [
            ("(0x08u)", "(0x09u)"),
            ("(9u)", "(8u)"),
            ("(1ul <<", "(3ul <<"),
            ("(5u)", "(6u)"),
            ("(3ul << DRV_SENSE_OC_TH", "(7ul << DRV_SENSE_OC_TH"),
            ("(2ul << DRV_SENSE_GAIN", "(3ul << DRV_SENSE_GAIN"),
        ],
    ),
    "kernel bits": (
        "quoll16",
        """
#define QUOLL_REG_WATCHDOG    0x9
#define QUOLL_REG_SUPPLY      0xc
#define QUOLL_REG_VDS         0x7
#define QUOLL_WATCHDOG_ENABLE BIT(0)
#define QUOLL_WATCHDOG_WINDOW GENMASK(2, 1)
#define QUOLL_WATCHDOG_ACTION BIT(3)
#define QUOLL_SUPPLY_OV       GENMASK(9, 8)
#define QUOLL_SUPPLY_UV       GENMASK(7, 6)
#define QUOLL_VDS_THRESHOLD   GENMASK(7, 4)
#define QUOLL_SUPPLY_INIT     (FIELD_PREP(QUOLL_SUPPLY_OV, 1) | FIELD_PREP(QUOLL_SUPPLY_UV, 2))  /* 27 V, 6.8 V */
""",
        [
            ("WATCHDOG    0x9", "WATCHDOG    0xa"),
            ("SUPPLY      0xc", "SUPPLY      0xd"),
            ("BIT(0)", "BIT(1)"),
            ("GENMASK(2, 1)", "GENMASK(3, 1)"),
            ("BIT(3)", "BIT(4)"),
            ("GENMASK(9, 8)", "GENMASK(9, 7)"),
            ("GENMASK(7, 4)", "GENMASK(6, 4)"),
            ("_OV, 1)", "_OV, 2)"),
        ],
    ),
    "enumerators for addresses": (
        "quoll16",
        """
typedef enum {
    QL_REG_STATUS1 = 0,
    QL_REG_STATUS2,
    QL_REG_STATUS3,
    QL_REG_MODE,
    QL_REG_GATE_HS,
    QL_REG_GATE_LS,
    QL_REG_TIMING,
    QL_REG_VDS,
    QL_REG_SENSE,
    QL_REG_WATCHDOG,
    QL_REG_ID = 0x0F
} ql_reg_t;
""",
        [
            ("STATUS1 = 0", "STATUS1 = 1"),
            ("    QL_REG_STATUS3,\n", ""),
            ("    QL_REG_TIMING,\n    QL_REG_VDS,", "    QL_REG_VDS,\n    QL_REG_TIMING,"),
            ("0x0F", "0x0E"),
            ("QL_REG_SENSE,", "QL_REG_SENSE = 9,"),
            ("QL_REG_GATE_HS,\n    QL_REG_GATE_LS,", "QL_REG_GATE_LS,\n    QL_REG_GATE_HS,"),
        ],
    ),
    "enumerators for codes": (
        "quoll16",
        """
enum mode_vds_act { DRV_MODE_VDS_ACT_REPORT, DRV_MODE_VDS_ACT_OFF, DRV_MODE_VDS_ACT_LATCH, DRV_MODE_VDS_ACT_RETRY };
enum mode_pwm {
    DRV_MODE_PWM_ONE_INPUT = 0,
    DRV_MODE_PWM_SIX_INPUT = 2,
    DRV_MODE_PWM_THREE_INPUT = 3,
};
enum sense_gain {
    DRV_SENSE_GAIN_X9,
    DRV_SENSE_GAIN_X18,
    DRV_SENSE_GAIN_X36,
    DRV_SENSE_GAIN_X72,
};
#define DRV_MODE_ADDR 3
#define DRV_SENSE_ADDR 8
""",
        [
            ("VDS_ACT_OFF, DRV_MODE_VDS_ACT_LATCH", "VDS_ACT_LATCH, DRV_MODE_VDS_ACT_OFF"),
            ("SIX_INPUT = 2", "SIX_INPUT = 1"),
            ("THREE_INPUT = 3", "THREE_INPUT = 4"),
            ("    DRV_SENSE_GAIN_X18,\n", ""),
            ("GAIN_X9,", "GAIN_X9 = 1,"),
            ("DRV_MODE_ADDR 3", "DRV_MODE_ADDR 2"),
        ],
    ),
    "bit fields": (
        "quoll16",
        """
#include <stdint.h>
typedef union {
    uint16_t word;
    struct {
        uint16_t source : 4;
        uint16_t sink   : 4;
        uint16_t hold   : 2;
        uint16_t        : 6;
    } bits;
} ql_gate_hs_t;
typedef struct {
    uint16_t dead_time  : 3;
    uint16_t reserved   : 1;
    uint16_t full_drive : 2;
    uint16_t blanking   : 2;
    uint16_t filter     : 2;
} ql_timing_t;
""",
        [
            ("source : 4", "source : 3"),
            (
                "sink   : 4;\n        uint16_t hold   : 2",
                "hold   : 2;\n        uint16_t sink   : 4",
            ),
            ("    uint16_t reserved   : 1;\n", ""),
            ("dead_time  : 3", "dead_time  : 4"),
            ("blanking   : 2", "blanking   : 3"),
            (
                "full_drive : 2;\n    uint16_t blanking   : 2",
                "blanking : 2;\n    uint16_t full_drive   : 2",
            ),
        ],
    ),
    "bit fields from the top": (
        "wombat24",
        """
struct wb_gate {                 /* most significant bit first */
    unsigned int unused     : 1;
    unsigned int source     : 5;
    unsigned int sink       : 5;
    unsigned int full_drive : 5;
} __attribute__((packed));
struct wb_sense {
    unsigned int spare   : 8;
    unsigned int oc_trip : 4;
    unsigned int rsvd    : 2;
    unsigned int gain    : 2;
};
""",
        [
            ("    unsigned int unused     : 1;\n", ""),
            ("source     : 5", "source     : 6"),
            (
                "sink       : 5;\n    unsigned int full_drive",
                "full_drive : 5;\n    unsigned int sink",
            ),
            ("oc_trip : 4", "oc_trip : 3"),
            ("rsvd    : 2", "rsvd    : 3"),
            ("gain    : 2", "gain    : 1"),
        ],
    ),
    "macros that place a code": (
        "quoll16",
        """
#define DRV_GATE_HS_ADDR       (4U)
#define DRV_GATE_HS_SOURCE(x)  ((uint16_t)((x) & 0xFU))
#define DRV_GATE_HS_SINK(x)    ((uint16_t)(((x) & 0xFU) << 4))
#define DRV_GATE_HS_HOLD(x)    ((uint16_t)(((x) & 0x3U) << 8))
#define DRV_TIMING_FILTER(x)   (((x) & 3U) << 8U)
#define DRV_TIMING_BLANKING(x) (((x) & 3U) << 6U)
""",
        [
            ("(x) & 0xFU) << 4", "(x) & 0xFU) << 5"),
            ("& 0x3U) << 8", "& 0x3U) << 9"),
            ("((x) & 0xFU))", "((x) & 0x7U))"),
            ("& 3U) << 8U", "& 1U) << 8U"),
            ("& 3U) << 6U", "& 3U) << 5U"),
            ("(4U)", "(5U)"),
        ],
    ),
    "macros that take and set": (
        "quoll16",
        """
#define DRV_SENSE_GAIN_GET(w)     ((w) & 3u)
#define DRV_SENSE_OC_TH_GET(w)    (((w) >> 5) & 3u)
#define DRV_SENSE_GAIN_SET(w, v)  (((w) & ~3u) | ((v) & 3u))
#define DRV_SENSE_OC_TH_SET(w, v) (((w) & ~(3u << 5)) | (((v) & 3u) << 5))
#define DRV_VDS_THRESHOLD_GET(w)  (((w) & 0xF0u) >> 4)
#define DRV_VDS_THRESHOLD_PREP(v) FIELD_PREP(0xF0u, (v))
""",
        [
            (">> 5) & 3u)", ">> 4) & 3u)"),
            ("((w) & 3u)\n", "((w) & 7u)\n"),
            ("(w) & ~3u) |", "(w) & ~7u) |"),
            ("& 3u) << 5))", "& 3u) << 6))"),
            ("& 0xF0u) >> 4", "& 0xF0u) >> 3"),
            ("PREP(0xF0u", "PREP(0x1F0u"),
        ],
    ),
    "constants of C++": (
        "numbat24",
        """
static const uint8_t NB_BRIDGE_ADDR = 0x10;
static const uint8_t NB_SENSE_ADDR = 0x1B;
static constexpr uint8_t NB_SENSE_GAIN_MASK = 0x30;
static constexpr uint8_t NB_SENSE_GAIN_SHIFT = 4;
static constexpr uint8_t NB_SENSE_MIDDLE_MASK = 0x0C;
static constexpr uint8_t NB_SENSE_CAL_MASK = 1 << 0;
static const uint8_t NB_SENSE_RESET = 0x14;
""",
        [
            ("= 0x10;", "= 0x11;"),
            ("= 0x1B;", "= 0x1A;"),
            ("= 0x30", "= 0x60"),
            ("SHIFT = 4", "SHIFT = 5"),
            ("= 0x0C", "= 0x1C"),
            ("1 << 0", "1 << 1"),
            ("= 0x14", "= 0x41"),
        ],
    ),
    "a table to write": (
        "numbat24",
        """
#define NB_BRIDGE 0x10
#define NB_SENSE 0x1B
#define NB_OVERCURRENT 0x1C
#define NB_WATCHDOG 0x20
typedef struct { unsigned char reg; unsigned char word; } nb_write_t;
static const nb_write_t nb_setup[] = {
    { NB_SENSE, 0x14 },
    { NB_OVERCURRENT, 0x98 },
    { NB_WATCHDOG, 0x82 },
};
""",
        [
            ("SENSE, 0x14", "SENSE, 0x16"),
            ("0x98 }", "0xD8 }"),
            ("0x82 }", "0x8A }"),
            ("0x14 }", "0x114 }"),
            ("NB_SENSE 0x1B", "NB_SENSE 0x1D"),
            ("NB_WATCHDOG 0x20", "NB_WATCHDOG 0x02"),
        ],
    ),
    "a table by index": (
        "quoll16",
        """
enum { QL_MODE = 3, QL_TIMING = 6, QL_VDS = 7, QL_WATCHDOG = 9 };
static const uint16_t ql_words[16] = {
    [QL_MODE] = 0x02A,
    [QL_TIMING] = 0x297,
    [QL_VDS] = 0x0A0,
    [QL_WATCHDOG] = 0x005,
};
""",
        [
            ("0x297", "0x29F"),
            ("0x0A0", "0x0A1"),
            ("0x005", "0x105"),
            ("0x02A", "0x42A"),
            ("QL_MODE = 3", "QL_MODE = 2"),
            ("QL_VDS = 7", "QL_VDS = 8"),
        ],
    ),
    "comments that say what a number is": (
        "quoll16",
        """
#define D_GATE_HS_REG         0x4   /* GATE_HS */
#define D_GATE_HS_SINK_MASK   0x0F0 /* bits 7:4 */
#define D_GATE_HS_SINK_75mA   5     /* 75 mA */
#define D_GATE_HS_SOURCE_MASK 0x00F /* bits 3..0 */
#define D_VDS_THRESHOLD_INIT  4     /* 180 mV */
#define D_TIMING_INIT         0x265 /* 1 us dead time, 2 us full drive, 2 us blanking */
#define D_SENSE_OC_EN_MASK    0x200 /* bit 9 */
""",
        [
            ("bits 7:4", "bits 8:5"),
            ("75mA   5 ", "75mA   6 "),
            ("5     /* 75 mA", "5     /* 62 mA"),
            ("bits 3..0", "bits 2..0"),
            ("180 mV", "150 mV"),
            ("1 us dead time", "2 us dead time"),
            ("bit 9 ", "bit 8 "),
        ],
    ),
    "numbers built of numbers": (
        "quoll16",
        """
#define BASE              0
#define P_ADDR_STEP       1
#define P_STATUS1_ADDR    (BASE + 0 * P_ADDR_STEP)
#define P_STATUS2_ADDR    (P_STATUS1_ADDR + P_ADDR_STEP)
#define P_STATUS3_ADDR    (P_STATUS2_ADDR + P_ADDR_STEP)
#define P_MODE_ADDR       (P_STATUS3_ADDR + P_ADDR_STEP)
#define P_MODE_RETRY_WIDTH 2
#define P_MODE_RETRY_SHIFT 6
#define P_MODE_RETRY_MASK (((1u << P_MODE_RETRY_WIDTH) - 1u) << P_MODE_RETRY_SHIFT)
#define P_MODE_OC_ACT_MASK (P_MODE_RETRY_MASK >> 2)
""",
        [
            ("BASE              0", "BASE              1"),
            ("P_ADDR_STEP       1", "P_ADDR_STEP       2"),
            ("(P_STATUS3_ADDR + P_ADDR_STEP)", "(P_STATUS2_ADDR + P_ADDR_STEP)"),
            ("RETRY_WIDTH 2", "RETRY_WIDTH 3"),
            ("RETRY_SHIFT 6", "RETRY_SHIFT 5"),
            ("MASK >> 2", "MASK >> 1"),
        ],
    ),
    "helpers of their own": (
        "potoroo40",
        """
#define FLD(high, low)  (((2UL << (high)) - 1UL) & ~((1UL << (low)) - 1UL))
#define AT(value, low)  ((uint16_t)((value) << (low)))
#define POT_OUTPUT_ADDR           0x10
#define POT_MONITOR_ADDR          0x11
#define POT_OUTPUT_SOURCE_MASK    FLD(12, 9)
#define POT_OUTPUT_FULL_DRIVE_MASK FLD(6, 4)
#define POT_MONITOR_BLANKING_MASK FLD(5, 4)
#define POT_MONITOR_THRESHOLD_MASK FLD(2, 0)
#define POT_MONITOR_BLANKING_2US  AT(1, 4)
""",
        [
            ("FLD(12, 9)", "FLD(12, 8)"),
            ("FLD(6, 4)", "FLD(7, 4)"),
            ("FLD(5, 4)", "FLD(4, 4)"),
            ("FLD(2, 0)", "FLD(3, 0)"),
            ("AT(1, 4)", "AT(2, 4)"),
            ("ADDR          0x11", "ADDR          0x12"),
        ],
    ),
    "names in camel case": (
        "quoll16",
        """
enum Registers { DrvModeAddr = 3, DrvGateHsAddr = 4, DrvGateLsAddr = 5, DrvVdsAddr = 7, DrvSupplyAddr = 12 };
enum Masks {
    DrvGateHsSourceMask = 0x00F,
    DrvGateHsSinkMask = 0x0F0,
    DrvVdsThresholdMask = 0x0F0,
    DrvSupplyOvMask = 0x300
};
""",
        [
            ("GateHsAddr = 4", "GateHsAddr = 5"),
            ("VdsAddr = 7", "VdsAddr = 6"),
            ("SupplyAddr = 12", "SupplyAddr = 13"),
            ("SourceMask = 0x00F", "SourceMask = 0x01F"),
            ("SinkMask = 0x0F0", "SinkMask = 0x070"),
            ("OvMask = 0x300", "OvMask = 0x0C0"),
        ],
    ),
    "conditions and old code": (
        "wombat24",
        """
#ifndef WB_REGS_H
#define WB_REGS_H
#if 0
#define WB_GATE_ADDR 9
#endif
#define WB_GATE_ADDR 3
#define WB_TIMING_ADDR 4
#if defined(__GNUC__)
#define WB_PACKED __attribute__((packed))
#else
#define WB_PACKED
#endif
#define WB_TIMING_BLANKING_MASK 0x0F00
#define WB_TIMING_DEAD_TIME_MASK 0x00FF
#define WB_VDS_THRESHOLD_WIDTH 6
#define WB_GATE_RESET_VALUE 0x0842
#endif
""",
        [
            ("#define WB_GATE_ADDR 3", "#define WB_GATE_ADDR 2"),
            ("TIMING_ADDR 4", "TIMING_ADDR 5"),
            ("0x0F00", "0xF000"),
            ("0x00FF", "0x007F"),
            ("WIDTH 6", "WIDTH 5"),
            ("0x0842", "0x0824"),
        ],
    ),
    "binary and octal": (
        "quoll16",
        """
#define Q_MODE_PWM_MASK      0b0000000011
#define Q_MODE_VDS_ACT_MASK  0b0000001100
#define Q_MODE_OC_ACT_MASK   0b0000110000
#define Q_MODE_RETRY_MASK    0300
#define Q_MODE_OT_ACT_MASK   0400
#define Q_MODE_ADDR          03
""",
        [
            ("0b0000000011", "0b0000000111"),
            ("0b0000001100", "0b0000011000"),
            ("0b0000110000", "0b0000010000"),
            ("0300", "300"),
            ("0400", "0200"),
            ("ADDR          03", "ADDR          013"),
        ],
    ),
    "casts and typedefs": (
        "quoll16",
        """
typedef unsigned short ql_word_t;
#define QW_TIMING_ADDR           ((unsigned char)0x06)
#define QW_TIMING_FILTER_MASK    ((ql_word_t)0x0300)
#define QW_TIMING_FULL_DRIVE_MASK ((ql_word_t)(3 << 4))
#define QW_TIMING_DEAD_TIME_MASK ((ql_word_t)~(ql_word_t)0xFFF8 & 0x3FF)
#define QW_WATCHDOG_WINDOW_MASK  (UINT16_C(3) << 1)
#define QW_WATCHDOG_ADDR         UINT8_C(9)
""",
        [
            ("0x06)", "0x60)"),
            ("0x0300", "0x0C00"),
            ("(3 << 4)", "(3 << 3)"),
            ("0xFFF8", "0xFFF0"),
            ("UINT16_C(3) << 1", "UINT16_C(3) << 2"),
            ("UINT8_C(9)", "UINT8_C(8)"),
        ],
    ),
    "clear masks and status": (
        "potoroo40",
        """
#define PT_FAULTS_POR       (1u << 15)
#define PT_FAULTS_BUS       (1u << 14)
#define PT_FAULTS_OT        (1u << 13)
#define PT_FAULTS_OC        (1u << 9)
#define PT_FAULTS_OC_CLEAR  0x0200
#define PT_FAULTS_UV_CLEAR  0x0100
#define PT_FAULTS_ADDR      0x10
""",
        [
            ("1u << 15", "1u << 7"),
            ("1u << 14", "1u << 13"),
            ("1u << 9", "1u << 10"),
            ("0x0200", "0x0400"),
            ("0x0100", "0x0300"),
            ("0x10\n", "0x20\n"),
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


def test_planted_mistakes_are_found_and_their_register_named() -> None:
    assert len(CORPUS) >= 20
    assert len(PLANTED) >= 120
    missed, unnamed = [], []
    for style, old, new in PLANTED:
        name, text, _ = CORPUS[style]
        assert text.count(old) == 1, (style, old, text.count(old))
        chip = chip_of(name)
        problems = lint(chip, text.replace(old, new), "h.h").problems
        if not problems:
            missed.append((style, old, new))
        for problem in problems:
            said = f"{problem.found} {problem.expected} {problem.path}".upper().replace("_", "")
            if not any(r.replace("_", "") in said for r in chip.registers):
                unnamed.append(str(problem))
    assert unnamed == []
    assert len(missed) * 20 <= len(PLANTED), missed


def test_what_can_be_put_right_is_and_nothing_gets_worse() -> None:
    """Of the mistakes that are a number with a right one most are mended; a sound header is left alone."""
    mended = 0
    for style, old, new in PLANTED:
        name, text, _ = CORPUS[style]
        wrong = text.replace(old, new, 1)
        before = lint(chip_of(name), wrong, "x.h").problems
        done = put_right(chip_of(name), wrong, "x.h")
        texts, after = done.texts, done.after
        fixed = texts["x.h"]
        assert len(after.problems) <= len(before), (style, new)
        assert after.fixes == (), (style, new)
        assert fixed != wrong or not lint(chip_of(name), wrong, "x.h").fixes, (style, new)
        mended += not after.problems
        assert put_right(chip_of(name), text, "x.h").texts == {"x.h": text}
    assert mended >= 0.6 * len(PLANTED), mended
