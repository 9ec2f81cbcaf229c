"""Styles of which mistakes were once missed: bytes and sequences of frames, descriptors of C++, options of registers that are one field.

Invented headers of invented chips; frames are those of the maps' known frames or by hand from the map.
"""

from __future__ import annotations

from functools import lru_cache

import pytest

from regmap.chip.model import Chip
from regmap.lint.header import Lint, lint
from regmap.maps.load import load_map

Planted = tuple[str, str]
CORPUS: dict[str, tuple[str, str, list[Planted]]] = {
    "bytes and sequences of frames": (
        "numbat24",
        """
static const uint8_t nb_read_status[3] = { 0x40, 0x00, 0x2C };
static const uint8_t nb_read_id[] = { 0x46, 0x00, 0x04 };
static const uint8_t NB_CMD_SOFT_RESET[3] = { 0xD5, 0xC3, 0x46 };
static const uint32_t nb_init_frames[] = {
    0x9104CF, 0x40002C,
    0x460004,
    0xCA351D
};
static const uint8_t nb_gamma_bytes[3] = { 0x46, 0x10, 0x04 };
static const uint32_t nb_reload_values[] = { 100, 200, 300, 400 };
#define NB_BRIDGE_ADDR 0x10
#define NB_STATUS_ADDR 0x00
""",
        [
            ("0x40, 0x00, 0x2C", "0x40, 0x00, 0x2D"),
            ("[] = { 0x46, 0x00", "[] = { 0x47, 0x00"),
            ("0xC3, 0x46", "0xC3, 0x56"),
            ("0x9104CF", "0x9105CF"),
            ("    0x460004", "    0x460005"),
        ],
    ),
    "descriptors of C++": (
        "bilby32",
        """
namespace bilby::reg {
struct Field { std::uint8_t address; std::uint8_t shift; std::uint8_t width; };
constexpr Field vds_threshold{0x4, 0, 3};
constexpr Field vds_filter   {0x4, 4, 2};
constexpr Field drive_sink   {.address = 0x0, .shift = 0, .width = 4};
enum class Address : std::uint8_t { Events = 0x1, Temp = 0x2, Vds = 0x4, Sense = 0x8, Limit = 0x9 };
constexpr std::uint16_t kTimeLReset = 0x0A0;
constexpr auto kVdsReset = std::uint16_t{0x003};
}
""",
        [
            ("threshold{0x4, 0, 3}", "threshold{0x4, 0, 4}"),
            ("{0x4, 4, 2}", "{0x4, 5, 2}"),
            ("{.address = 0x0", "{.address = 0x1"),
            (".width = 4", ".width = 5"),
            ("0x0A0", "0x0B0"),
            ("{0x003}", "{0x013}"),
        ],
    ),
    "options of a register, and what clears a field": (
        "quoll16",
        """
#define QL_LOCK_ADDR 0xB
#define QL_LOCK_OPEN 0xB4
#define QL_LOCK_CLOSE_RETRIES 3
#define QL_VDS_300MV 7
#define QL_GATE_HS_SINK_CLR (~0xF0u & 0x3FFu)
#define QL_GATE_HS_HOLD_CLR (~(3u << 8))
#define QL_GATE_LS_HOLD_CLR 0x300u
#define QL_WRITE_LOCK_OPEN 0x5968u
""",
        [
            ("OPEN 0xB4", "OPEN 0x4B"),
            ("300MV 7", "300MV 6"),
            ("~0xF0u", "~0xE0u"),
            ("3u << 8", "3u << 7"),
            ("0x300u", "0x180u"),
            ("0x5968u", "0x5896u"),
        ],
    ),
    "addresses and decimal points in names": (
        "quoll16",
        """
#define REG_06H_TIMING                   0x06
#define REG_06H_TIMING_FILTER_680_NS     (1 << 8)
#define REG_06H_TIMING_FILTER_2_2_US     (3 << 8)
#define REG_06H_TIMING_DEAD_TIME_0_6_US  4
#define REG_08H_SENSE_OC_TH_MASK         0x0060 /*!< 0x60 */
#define REG_08H_SENSE_GAIN_36_V_PER_V    2
#define REG_07H_VDS_THRESHOLD_0V30       (7 << 4)
#define REG_0CH_SUPPLY_OV_32_0_V         (2 << 8)
enum sense_oc_th { SENSE_OC_TH_MV18, SENSE_OC_TH_MV27, SENSE_OC_TH_MV47 };
enum supply_uv { SUPPLY_UV_V4_7 = 0, SUPPLY_UV_V6_8 = 2 };
""",
        [
            ("0x06\n", "0x05\n"),
            ("(1 << 8)", "(2 << 8)"),
            ("(3 << 8)", "(1 << 8)"),
            ("0_6_US  4", "0_6_US  5"),
            ("0x0060", "0x0030"),
            ("!< 0x60", "!< 0x30"),
            ("V_PER_V    2", "V_PER_V    3"),
            ("(7 << 4)", "(6 << 4)"),
            ("32_0_V         (2", "32_0_V         (1"),
            ("V6_8 = 2", "V6_8 = 1"),
        ],
    ),
    "defaults, types by another name, questions": (
        "numbat24",
        """
static const struct reg_default numbat_defaults[] = {
    { 0x10, 0x00 }, { 0x11, 0x04 }, { 0x15, 0x11 }, { 0x16, 0x30 },
    { 0x17, 0x0a },
    { 0x1a, 0x63 }, { 0x1b, 0x14 }, { 0x1c, 0x98 },
};
using Word = unsigned char;
struct Supply { static constexpr Word Address = 0x1E; static constexpr Word UvMask = 0x70; };
static inline bool numbat_system_faults_is_wd(unsigned w) { return (w & (1u << 5)) != 0; }
#define NUMBAT_SYSTEM_FAULTS_HAS_OT(w) (((w) >> 7) & 1u)
#define NUMBAT_DEADTIME_TIME(ns) (((ns) / 10) & 0xFF)
#define NUMBAT_BRIDGE_ADDR 0x10
#define NUMBAT_HOLD_ADDR 0x15
""",
        [
            ("{ 0x17, 0x0a }", "{ 0x17, 0xa0 }"),
            ("0x1E;", "0x1F;"),
            ("0x70;", "0x38;"),
            ("(1u << 5)", "(1u << 4)"),
            (">> 7) & 1u", ">> 6) & 1u"),
        ],
    ),
    "rows of bytes, bits of others": (
        "quoll16",
        """
#define Q_BIT(n) (1u << (n))
#define Q_STATUS2_OC_V    Q_BIT(2)
#define Q_STATUS2_OC_U    Q_BIT(1)
#define Q_STATUS2_WD_BIT  Q_BIT(7)
#define Q_FRAME_BITS 16
#define Q_FRAME_BYTES 2
static const uint8_t q_init_frames[][2] = {
    { 0x18, 0x34 },
    { 0x35, 0x29 }, { 0x22, 0x86 } };
static const uint16_t q_tx_words[] = { 0x1834, 0x3529, 0x2286 };
static const uint8_t q_pairs[][2] = { { 0x18, 0x35 }, { 1, 2 }, { 3, 4 } };
""",
        [
            ("Q_BIT(2)", "Q_BIT(1)"),
            ("Q_BIT(7)", "Q_BIT(3)"),
            ("BITS 16", "BITS 24"),
            ("BYTES 2", "BYTES 3"),
            ("0x18, 0x34 },\n", "0x18, 0x35 },\n"),
            ("0x35, 0x29 }", "0x35, 0x2B }"),
            ("0x3529, 0x2286", "0x3528, 0x2286"),
        ],
    ),
}
PLANTED = [(style, old, new) for style, (_, _, rows) in CORPUS.items() for old, new in rows]


@lru_cache(maxsize=4)
def chip_of(name: str) -> Chip:
    return load_map(name)


def read(style: str, text: str) -> Lint:
    return lint(chip_of(CORPUS[style][0]), text, "h.hpp")


@pytest.mark.parametrize("style", CORPUS)
def test_a_sound_header_raises_no_alarm(style: str) -> None:
    result = read(style, CORPUS[style][1])
    assert [str(p) for p in result.problems] == []
    assert result.read >= 7


@pytest.mark.parametrize(("style", "old", "new"), PLANTED)
def test_a_planted_mistake_is_found_at_its_line(style: str, old: str, new: str) -> None:
    text = CORPUS[style][1]
    assert text.count(old) == 1
    line = text[: text.index(old)].count("\n") + 1
    assert line in {p.place.line for p in read(style, text.replace(old, new)).problems}
