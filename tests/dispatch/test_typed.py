"""What somebody types or scans is taken for the EPCs it may mean, and for a name where it is none."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.dispatch.typed import understand
from agent.epc import check_digit, encode_uri

SSCC, GSRN = "19521234123456789", "95211410000000042"

# A key's digits are the EPC's in another order, with a check digit (GS1 EPC Tag Data Standard 2.3, its chapter on the
# correspondence between EPCs and GS1 keys).
STANDARD = [
    ("(01)09521141123454(21)400", "urn:epc:id:sgtin:9521141.012345.400"),
    (f"(00){SSCC}{check_digit(SSCC)}", "urn:epc:id:sscc:9521234.1123456789"),
    (f"(8018){GSRN}{check_digit(GSRN)}", "urn:epc:id:gsrn:9521141.0000000042"),
    (f"{GSRN}{check_digit(GSRN)}", "urn:epc:id:gsrn:9521141.0000000042"),
    ("(8003)095211411234545678", "urn:epc:id:grai:9521141.12345.5678"),
    ("(8004)95211415678", "urn:epc:id:giai:9521141.5678"),
]


@pytest.mark.parametrize(("given_text", "epc"), STANDARD)
def test_element_strings(given_text: str, epc: str) -> None:
    """The right EPC is among those meant, and each meant has another length of company prefix."""
    found = understand(given_text)
    assert epc in found.epcs, found
    kind = epc.rpartition(":")[0]
    prefixes = [each.rpartition(":")[2].split(".")[0] for each in found.epcs if each.startswith(kind + ":")]
    assert len(set(map(len, prefixes))) == len(prefixes) <= 7
    assert found.problem is None


@pytest.mark.parametrize(
    "scanned",
    [
        "0109521141123454" + "21400",
        "]d20109521141123454" + "21400\x1d10LOT7",
        "]C10109521141123454" + "21400",
        "09521141123454 400",
        "9521141123454/400",
        "https://id.example/01/09521141123454/21/400?linkType=gs1:pip",
        "HTTPS://ID.EXAMPLE/some/path/01/09521141123454/10/LOT7/21/400",
        "https://id.example/01/9521141123454/21/400",
    ],
)
def test_what_scanners_send(scanned: str) -> None:
    """With symbology, separator and lot, plain, or as a GS1 Digital Link: the same thing is meant."""
    assert "urn:epc:id:sgtin:9521141.012345.400" in understand(scanned).epcs


def test_epcs_however_written() -> None:
    """Pure identity, tag URI, hex in either case and with spaces, whatever filter value: one EPC."""
    pure = "urn:epc:id:grai:9521141.00014.8"
    tag = encode_uri(pure, filter_value=3)
    spaced = " ".join(tag[at : at + 4] for at in range(0, 24, 4))
    for text in (pure, pure.replace("urn:epc:id:grai", "URN:EPC:ID:GRAI"), tag, tag.lower(), spaced, f"0x{tag}",
                 "urn:epc:tag:grai-96:5.9521141.00014.8"):  # fmt: skip
        assert understand(f"  {text} ").epcs == (pure,), text


def test_a_kind_without_a_serial() -> None:
    """A GTIN or GRAI by itself means all things of its kind."""
    assert "urn:epc:id:sgtin:9521141.012345." in understand("09521141123454").classes
    assert "urn:epc:id:grai:9521141.12345." in understand("(8003)09521141123454").classes


def test_what_is_wrong_is_said() -> None:
    """A wrong check digit, a key of no item, an address without a key."""
    assert "4 would fit" in (understand("(01)09521141123455(21)7").problem or "")
    assert "no key of an item" in (understand("(10)LOT7").problem or "")
    assert "no GS1 Digital Link" in (understand("https://id.example/about").problem or "")
    assert "has 2 parts" in (understand("urn:epc:tag:grai-96:5.9521141.00014").problem or "")


def test_names_are_names() -> None:
    """What holds no code is neither an EPC nor a problem."""
    for text in ("moving head 101", "rack", "Ölfass 7", "0109", "face"):
        found = understand(text)
        assert (found.epcs, found.classes, found.problem) == ((), (), None), text


@given(st.text(max_size=300) | st.from_regex(r"(\]d2|\(01\)|https://x/01/)?[0-9A-F()./\x1d]{0,60}"))
def test_it_takes_anything(text: str) -> None:
    """Whatever is typed, it is answered, and all that is meant are EPC URIs."""
    found = understand(text)
    assert all(each.startswith("urn:epc:") for each in (*found.epcs, *found.classes))
