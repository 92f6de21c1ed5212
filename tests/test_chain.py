"""What `agent.chain` finds: what was changed, taken out, put in or signed by another key, and nothing else."""

from __future__ import annotations

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from msgspec.structs import replace

from agent.chain import Sealed, content_digest, digest, is_signed_by, key_text, parse_key, sign, walk

# RFC 8032, section 7.1, test 1: the key pair and the signature of the empty message.
SECRET = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
PUBLIC = bytes.fromhex("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a")
SIGNATURE = bytes.fromhex(
    "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
)
VAN = "van-07"


def key() -> Ed25519PrivateKey:
    """The vehicle's."""
    return Ed25519PrivateKey.from_private_bytes(SECRET)


def sealed(seq: int, body: bytes, prev: str, by: Ed25519PrivateKey | None = None) -> tuple[Sealed, str]:
    """A record and its digest."""
    content = content_digest(body)
    own = digest(vehicle=VAN, epoch=1, seq=seq, kind="event", prev=prev, content=content)
    return Sealed(seq, "event", content, prev, sign(own, by=(by or key()).sign), body), own


def chain(bodies: int, *, other: int = 0) -> list[Sealed]:
    """A whole chain; record `other` is signed by a key that is not the vehicle's."""
    records, prev = [], ""
    for seq in range(1, bodies + 1):
        by = Ed25519PrivateKey.from_private_bytes(bytes(32)) if seq == other else None
        record, prev = sealed(seq, b'{"n":%d}' % seq, prev, by)
        records.append(record)
    return records


def walked(records: list[Sealed], head: tuple[int, str] | None = None) -> tuple[int, str] | None:
    """Where and what the first misfit is."""
    misfit = walk(records, vehicle=VAN, epoch=1, key=parse_key(key_text(PUBLIC)), head=head).misfit
    return None if misfit is None else (misfit.seq, misfit.fault)


def test_the_key_is_that_of_rfc_8032() -> None:
    """RFC 8032, 7.1, test 1: this key signs the empty message so, and is read back from its text."""
    assert key().sign(b"") == SIGNATURE
    parse_key(key_text(PUBLIC)).verify(SIGNATURE, b"")
    with pytest.raises(ValueError, match="begins with ed25519"):
        parse_key("rsa:AAAA")


def test_a_whole_chain_fits() -> None:
    """Nothing is found where nothing was done, and the end is told."""
    records = chain(5)
    found = walk(records, vehicle=VAN, epoch=1, key=parse_key(key_text(PUBLIC)))
    assert (found.seq, found.misfit, found.erased, found.unsigned) == (5, None, 0, 0)
    assert walked(records, head=(5, found.digest)) is None


def test_what_was_changed_is_named() -> None:
    """A body that was altered, with its digest left or made to fit, and a kind that was."""
    records = chain(5)
    assert walked([*records[:2], replace(records[2], body=b'{"n":9}'), *records[3:]]) == (3, "changed")
    forged = replace(records[2], body=b'{"n":9}', content=content_digest(b'{"n":9}'))
    assert walked([*records[:2], forged, *records[3:]]) == (3, "changed")
    assert walked([*records[:4], replace(records[4], kind="notice")]) == (5, "changed")


def test_what_is_missing_is_named() -> None:
    """Taken out of the middle, taken out with the rest numbered anew, and cut off at the end."""
    records = chain(5)
    assert walked(records[:2] + records[3:]) == (3, "missing")
    renumbered = records[:2] + [replace(record, seq=record.seq - 1) for record in records[3:]]
    assert walked(renumbered) == (3, "missing")
    end = walk(records, vehicle=VAN, epoch=1, key=parse_key(key_text(PUBLIC))).digest
    assert walked(records[:3], head=(5, end)) == (4, "missing")


def test_what_was_put_in_is_named() -> None:
    """A number that is there twice, and one put in with the rest numbered anew."""
    records = chain(5)
    assert walked([*records[:3], records[2], *records[3:]]) == (3, "inserted")
    forged, _ = sealed(3, b'{"n":7}', records[2].prev or "", Ed25519PrivateKey.from_private_bytes(bytes(32)))
    moved = [replace(record, seq=record.seq + 1) for record in records[2:]]
    assert walked([*records[:2], forged, *moved]) == (3, "inserted")


def test_a_wrong_key_is_named() -> None:
    """A record that fits its neighbours and bears another key's signature."""
    assert walked(chain(5, other=3)) == (3, "wrong key")


def test_another_branch_of_the_vehicles_own_is_named() -> None:
    """Signed by the right key, but following another record than the one before it (a restored image went on)."""
    records = chain(5)
    branch, _ = sealed(3, b'{"n":30}', records[1].prev or "")
    assert walked([*records[:2], branch, *records[3:]]) == (3, "inserted")
    assert walked(records, head=(3, "sha-256:" + "0" * 64)) == (3, "changed")


def test_records_from_before_signing_and_erased_ones_are_counted() -> None:
    """Unsigned ones may only stand first; an erased body leaves the record's place proven."""
    old = [Sealed(seq, "event", content_digest(b"{}"), None, None, b"{}") for seq in (1, 2)]
    third, own = sealed(3, b"{}", "")
    fourth, _ = sealed(4, b'{"who":1}', own)
    records = [*old, third, replace(fourth, body=None)]
    found = walk(records, vehicle=VAN, epoch=1, key=parse_key(key_text(PUBLIC)))
    assert (found.misfit, found.unsigned, found.erased) == (None, 2, 1)
    assert walked([*records, replace(old[0], seq=5)]) == (5, "not signed")


def test_a_signature_that_is_no_base64_is_none() -> None:
    """Whatever stands there, only the key's own signature counts."""
    public = parse_key(key_text(PUBLIC))
    assert not is_signed_by(public, "sha-256:00", "*")
    assert not is_signed_by(public, "sha-256:00", None)
