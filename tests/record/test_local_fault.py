"""One failed input lights many lamps and makes neighbours complain (common practice, no source; codes from memory)."""

from casebase.places import read_table
from casebase.record.case import Case
from casebase.record.local_fault import local_fault_words, local_faults
from casebase.record.stored_codes import codes_set_apart
from casebase.record.vocabulary import Lamp


def job(codes, lamps=(), silent=()):
    """Return a stuck job with codes as (module, code)."""
    return Case.model_validate(
        {
            "kind": "fault case",
            "vehicle": {"make": "Norrvik", "model": "Skarn"},
            "lamps": list(lamps),
            "codes": [{"module": module, "code": code} for module, code in codes],
            "modules": [{"name": name, "answers": "no"} for name in silent],
        }
    )


WHEEL = [("ABS", "C0035-13"), ("ECM", "U0415"), ("TCM", "U0415-81")]
LAMPS = ["anti-lock brake system", "electronic stability control", "steering"]


def test_a_wheel_speed_circuit_explains_the_lamps_and_the_data_refused():
    """Nothing is left for the network to explain: prove it first, in minutes."""
    (found,) = local_faults(job(WHEEL, LAMPS))
    assert found.what == "a wheel speed sensor circuit"
    assert found.explained_lamps == tuple(LAMPS)
    assert found.explained_codes == ("U0415", "U0415-81")
    assert found.comes_first
    heading, told = local_fault_words(found)
    assert heading == "C0035-13 in ABS, a wheel speed sensor circuit: cheap and quick to prove, so first"
    assert "leaves nothing open" in told


def test_such_a_code_is_not_told_to_wait():
    """Beside data refused it is what there is to find; beside a module that is missed it waits."""
    assert codes_set_apart(job(WHEEL, LAMPS)) == []
    waits = codes_set_apart(job([*WHEEL, ("ECM", "U0101")], LAMPS, silent=["TCM"]))
    assert [code.code for code in waits] == ["C0035-13"]


def test_what_it_leaves_open_is_told():
    """A silent module and the codes that miss it do not follow from a wheel speed sensor."""
    (found,) = local_faults(job([*WHEEL, ("ECM", "U0101")], [*LAMPS, "airbag"], silent=["TCM"]))
    assert not found.comes_first
    assert (found.left_codes, found.left_lamps, found.silent) == (("U0101",), ("airbag",), ("TCM",))
    assert "leaves open: TCM silent, U0101, lamp airbag" in local_fault_words(found)[1]


def test_data_of_another_module_refused_does_not_follow():
    """The steering's data is not spoilt by an engine sensor."""
    (found,) = local_faults(job([("ECM", "P0117"), ("ABS", "U0420")]))
    assert found.left_codes == ("U0420",)


def test_codes_of_the_network_alone_name_no_circuit():
    """Lost communication is of no circuit."""
    assert local_faults(job([("ECM", "U0121"), ("TCM", "U0121")])) == []


def test_a_truck_s_wheel_sensor_is_one_by_its_number():
    """SPN 789: wheel sensor, ABS axle 1 left (SAE J1939, from memory)."""
    (found,) = local_faults(job([("ABS", "SPN 789 FMI 5")], ["anti-lock brake system"]))
    assert found.what == "a wheel speed sensor circuit"


def test_every_lamp_of_the_table_is_one_of_the_record():
    """A word that no record can hold would never be explained."""
    named = {lamp for row in read_table("local_inputs") for lamp in row["lamps"].split(";")}
    assert named <= {str(lamp) for lamp in Lamp}
