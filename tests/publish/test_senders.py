"""A bundle is from whoever holds the key, not from whoever writes a name into it."""

import stat
import sys
from json import dumps
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from exchanged_bundles import changed_line, members_of, packed, sent, with_right_sums

from casebase.errors import BundleError
from casebase.library.sources import key_of, sources_in
from casebase.library.store import Library
from casebase.publish.bundle_checks import checked_bundle
from casebase.publish.public_fields import public_case
from casebase.publish.senders import NOBODY, name_like, sender_of
from casebase.publish.signing import fingerprint, key_path, own_public_key, signer_of, signing_key
from casebase.publish.taking_in import take_in
from casebase.record.json_form import canonical_json, sha256_of, stored_case

pytestmark = pytest.mark.slow


@pytest.fixture
def shops(tmp_path, demo_cases):
    """Two libraries: north with three cases, south with none."""
    with Library.create(tmp_path / "north.db") as north, Library.create(tmp_path / "south.db") as south:
        north.log(list(demo_cases.values())[:3])
        yield north, south


def checked(path):
    """Check a bundle."""
    return checked_bundle(path, public_case)


def asked(library, bundle, told=None, source=None, changed=False):
    """Return who sent a bundle, as the command asks it."""
    return sender_of(library, bundle, source, told, changed=changed)


def test_the_key_is_made_at_the_first_bundle_and_only_its_owner_reads_it(shops, tmp_path):
    """The next bundle is signed by the same one; the same records give the same bytes."""
    north, _ = shops
    assert own_public_key(north) is None
    first = sent(north, tmp_path / "a.zip").read_bytes()
    assert stat.S_IMODE(key_path(north.path).stat().st_mode) == 0o600
    assert checked(tmp_path / "a.zip").key == own_public_key(north)
    assert sent(north, tmp_path / "b.zip").read_bytes() == first


def test_ed25519_as_published():
    """RFC 8032, 7.1, TEST 2: the signature of one byte, from the standard."""
    text = (
        '{"algorithm": "Ed25519",'
        ' "public_key": "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",'
        ' "signature": "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da'
        '085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"}'
    )
    assert signer_of(text.encode(), b"\x72", "here").startswith("3d4017")
    with pytest.raises(BundleError, match="changed after they were signed"):
        signer_of(text.encode(), b"\x73", "here")


def test_what_was_changed_after_signing_is_refused(shops, tmp_path):
    """Sums made anew do not help: they are what is signed."""
    north, _ = shops
    bundle = sent(north, tmp_path / "a.zip")
    members = members_of(bundle)
    signature = members.pop("signature.json")
    members["bundle.json"] = members["bundle.json"].replace(b"Workshop North", b"Workshop South")
    forged = packed(tmp_path / "b.zip", [*with_right_sums(members).items(), ("signature.json", signature)])
    with pytest.raises(BundleError, match="changed after they were signed"):
        checked(forged)


def test_a_new_sender_needs_the_fingerprint_that_the_lead_was_told(shops, tmp_path):
    """Without it, or with another, nothing; with it the name is theirs from then on."""
    north, south = shops
    bundle = checked(sent(north, tmp_path / "a.zip"))
    seen = fingerprint(own_public_key(north))
    with pytest.raises(BundleError, match=f"not known here, fingerprint {seen}"):
        asked(south, bundle)
    with pytest.raises(BundleError, match="another than you were told"):
        asked(south, bundle, "0000 " * 8)
    assert key_of(south, "Workshop North") is None
    assert asked(south, bundle, seen.upper()).is_known
    assert asked(south, bundle).is_known
    assert key_of(south, "Workshop North") == own_public_key(north)


def test_a_name_with_another_key_is_refused_until_the_lead_says_that_it_changed(shops, tmp_path):
    """Anybody can write Workshop North; a lost key is replaced by two words of the lead."""
    north, south = shops
    bundle = checked(sent(north, tmp_path / "a.zip"))
    asked(south, bundle, fingerprint(bundle.key))
    signing_key(north, make_new=True)
    later = checked(sent(north, tmp_path / "b.zip"))
    with pytest.raises(BundleError, match="another key than Workshop North had before"):
        asked(south, later)
    with pytest.raises(BundleError, match="another key than Workshop North had before"):
        asked(south, later, fingerprint(later.key))
    assert asked(south, later, fingerprint(later.key), changed=True).is_known
    with pytest.raises(BundleError, match="another key"):
        asked(south, bundle)


def test_a_key_that_is_gone_is_told_before_another_is_made(shops, tmp_path):
    """Signing with a new one without a word would look like a forger to everybody else."""
    north, _ = shops
    sent(north, tmp_path / "a.zip")
    key_path(north.path).unlink()
    with pytest.raises(BundleError, match="bring it back from a copy"):
        sent(north, tmp_path / "b.zip")


def test_one_key_has_one_name(shops, tmp_path):
    """Who is known under a name cannot come under another."""
    north, south = shops
    bundle = checked(sent(north, tmp_path / "a.zip"))
    asked(south, bundle, fingerprint(bundle.key))
    with pytest.raises(BundleError, match="signed by Workshop North"):
        asked(south, checked(sent(north, tmp_path / "b.zip", "Workshop East")))


@pytest.mark.parametrize(
    ("name", "alike"),
    [
        ("W0rkshop North", True),
        ("Workshop N\u043erth", True),
        ("workshop  north", True),
        ("Workshop Nortth", True),
        ("Workshop South", False),
        ("Harbour Vans", False),
    ],
)
def test_names_that_read_alike_are_told(name, alike):
    """A zero, a letter of another script, capitals, a letter twice."""
    assert (name_like(name, ["Workshop North"]) is not None) is alike


def unsigned(bundle, out):
    """Write a bundle again without its signature, as an older casebase wrote it."""
    members = members_of(bundle)
    members.pop("signature.json", None)
    return packed(out, members.items())


def test_an_unsigned_bundle_is_from_nobody_and_weighs_nothing(shops, tmp_path):
    """Whatever name it gives."""
    north, south = shops
    bundle = checked(unsigned(sent(north, tmp_path / "a.zip"), tmp_path / "b.zip"))
    sender = asked(south, bundle)
    assert (sender.name, sender.is_known) == (f"{NOBODY}Workshop North", False)
    take_in(south, bundle, sender.name, 0.0, is_known=False)
    assert [(one.name, one.weight) for one in sources_in(south)] == [(f"{NOBODY}Workshop North", 0.0)]


def test_a_strangers_version_of_our_case_stands_beside_it(shops, tmp_path):
    """It names our public version among its earlier ones, and replaces nothing."""
    north, _ = shops
    ours = sent(north, tmp_path / "a.zip")

    def revise(data):
        data["record"]["leftover"] = "replace the brake unit"
        data["earlier"] = [data["sha256"]]

        data["sha256"] = sha256_of(canonical_json(stored_case(dumps(data["record"]))))

    forged = unsigned(changed_line(ours, tmp_path / "b.zip", revise), tmp_path / "c.zip")
    before = {kept.case_id: kept.revision for kept in north.records()}
    taken = take_in(north, checked(forged), f"{NOBODY}Workshop North", 0.0, is_known=False)
    assert taken.counted()["kept beside"] == 1
    assert {kept.case_id: kept.revision for kept in north.records() if kept.case_id in before} == before
