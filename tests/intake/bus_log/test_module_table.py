"""Which module sends what: small files, and the record's own list."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from casebase.errors import CaptureError, InputError
from casebase.intake.bus_log.senders import modules_of_record, read_module_table
from casebase.intake.bus_log.traffic import IdentifierKey
from casebase.record.can import can_identifier
from casebase.record.case import Module

EXPECTED = {
    IdentifierKey(False, 0x1A0): "ABS",
    IdentifierKey(False, 0x100): "ABS",
    IdentifierKey(True, 0x18FEF100): "ECM",
}


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a.csv", "identifier,module\n1A0,ABS\n0x100,ABS\n18FEF100,ECM\n"),
        ("a.csv", "\ufeffModule;Identifier\r\nABS;1a0\r\nABS;100\r\n\r\nECM;18fef100\r\n"),
        ("a.csv", 'note\tidentifier\tmodule\nx\t1A0\t"ABS"\n\t100\tABS\n\t18FEF100\t ECM \n'),
        ("a.yaml", "ABS: [1A0, 100]\nECM: 18FEF100\n"),
        ("a.yml", "ABS:\n  - 0x1A0\n  - '100'\nECM: [18FEF100]\n"),
    ],
)
def test_a_table_is_read_from_csv_and_yaml(name: str, text: str, tmp_path: Path) -> None:
    """100 is hex in both, with or without quotes; separators and order of columns do not matter."""
    (tmp_path / name).write_text(text, encoding="utf-8")
    assert read_module_table(tmp_path / name) == EXPECTED


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("a.csv", "identifier,module\n1A0,ABS\nXYZ,ABS\n", "line 3: 'XYZ'"),
        ("a.csv", "identifier,module\n1A0,ABS\n1A0,ECM\n", "line 3: 1A0 belongs to ABS already"),
        ("a.csv", "identifier,module\n1A0\n", "line 2: too few columns"),
        ("a.csv", "identifier,module\n1A0,\n", "line 2: no name of a module"),
        ("a.csv", "1A0,ABS\n", "line 1 does not name the columns"),
        ("a.csv", "", "line 1 does not name the columns"),
        ("a.csv", "identifier,module\n", "no identifier in it"),
        ("a.csv", "identifier,module\n800,ABS\n", "more than 11 bits"),
        ("a.csv", "identifier,module\n2FFFFFFF,ABS\n", "more than 29 bits"),
        ("a.yaml", "ABS: [1A0\n", "no YAML file"),
        ("a.yaml", "- 1A0\n", "expected modules with their identifiers"),
        ("a.yaml", "ABS: {1A0: x}\n", "ABS: expected identifiers"),
    ],
)
def test_what_does_not_fit_is_named_with_its_place(name: str, text: str, told: str, tmp_path: Path) -> None:
    """One sentence, with the file."""
    (tmp_path / name).write_text(text)
    with pytest.raises(CaptureError, match=told) as refused:
        read_module_table(tmp_path / name)
    assert str(refused.value).startswith(f"{tmp_path / name}: ")


@pytest.mark.slow
@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(text=st.text(max_size=120), ending=st.sampled_from([".csv", ".yaml"]))
def test_any_text_is_a_table_or_refused_in_a_sentence(text: str, ending: str, tmp_path: Path) -> None:
    """Never anything else."""
    path = tmp_path / f"any{ending}"
    path.write_bytes(text.encode(errors="replace"))
    refused = ""
    try:
        read_module_table(path)
    except CaptureError as error:
        refused = str(error)
    assert not refused or refused.startswith(f"{path}: ")


def test_a_record_holds_the_table_too() -> None:
    """Its modules list what they send; in one spelling."""
    modules = [
        Module(name="ABS", identifiers=["0x1a0", "100"]),
        Module(name="ECM", identifiers="18fef100"),
        Module(name="BCM"),
    ]
    assert modules[0].identifiers == ["1A0", "100"]
    assert modules_of_record(modules) == EXPECTED


@pytest.mark.parametrize("written", [256, 1e3, True, "", "12 3", "GHI", "FFF", "123456789"])
def test_a_bare_number_or_no_hex_is_no_identifier(written: object) -> None:
    """Nobody can tell whether 256 was meant in hex."""
    with pytest.raises(InputError):
        can_identifier(written)
