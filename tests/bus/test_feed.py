"""The feed of a module: what volts and ohms at its plug mean for its supply and its ground.

Sources stand beside each check. Divider figures are Ohm's law worked by hand.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.bus.diagnose import diagnose
from casebase.bus.feed import feed_data, feed_words, feeds_of
from casebase.bus.feed_draws import (
    OPEN_OHMS,
    FeedState,
    Load,
    Supplied,
    Taken,
    feeds_drawn,
    ohms_along,
    volts_between,
)
from casebase.record.reading import Reading
from casebase.record.vocabulary import Line, Medium

AT_ABS = "connector of ABS"


def volts(value, line="supply", against="ground", **state):
    """Return a reading of volts at a plug, the ignition on unless another state is given."""
    told = {"at": AT_ABS, "ignition": "on", "unplugged": "nothing"} | state
    return Reading.model_validate(
        {"quantity": "voltage", "line": line, "against": against, "value": value, **told}
    )


def ohms(value, line="ground", against="battery -", **state):
    """Return a reading of ohms along a wire, the battery off and the module unplugged."""
    told = {"at": AT_ABS, "battery": "disconnected", "unplugged": ["ABS"]} | state
    return Reading.model_validate(
        {"quantity": "resistance", "line": line, "against": against, "value": value, **told}
    )


def feed(*readings):
    """Return the one feed that was read."""
    (found,) = feeds_of(readings)
    return found


# --- what a meter shows: Ohm's law ---------------------------------------------------------------------------------


def test_a_lamp_divides_the_battery_with_the_wires():
    """12 V over 3 ohm of wire and a lamp of 6 ohm: 8 V at the supply pin where the ground is good."""
    drawn = feeds_drawn()
    shown = volts_between(drawn, Line.SUPPLY, Line.BATTERY_MINUS, Taken(Supplied.ON, Load.LAMP))

    battery = drawn.battery[Supplied.ON]
    whole = drawn.supply_ohms + drawn.ground_ohms + drawn.lamp_ohms
    fed = drawn.supply_ohms < OPEN_OHMS
    by_hand = battery * (drawn.ground_ohms + drawn.lamp_ohms) / whole
    assert np.allclose(shown[fed], by_hand[fed])
    assert (shown[~fed] == 0).all()


def test_what_is_lost_along_both_wires_and_what_the_load_has_is_the_battery():
    """Kirchhoff: the drops around the loop sum to the battery."""
    drawn, taken = feeds_drawn(), Taken(Supplied.RUNNING, Load.LAMP)
    along_supply = volts_between(drawn, Line.SUPPLY, Line.BATTERY_PLUS, taken)
    along_ground = volts_between(drawn, Line.GROUND, Line.BATTERY_MINUS, taken)
    across = np.abs(
        volts_between(drawn, Line.SUPPLY, Line.BATTERY_MINUS, taken)
        - volts_between(drawn, Line.GROUND, Line.BATTERY_MINUS, taken)
    )

    assert np.allclose(along_supply + across + along_ground, drawn.battery[Supplied.RUNNING])


def test_a_drop_test_without_current_shows_nothing_of_a_poor_joint():
    """10 Mohm of the meter draws a microampere: 300 ohm in the wire lose 0.4 mV (Ohm's law)."""
    drawn = feeds_drawn()
    weak = (drawn.supply_ohms > 100) & (drawn.supply_ohms < OPEN_OHMS)

    lost = volts_between(drawn, Line.SUPPLY, Line.BATTERY_PLUS, Taken(Supplied.ON, Load.NONE))
    assert lost[weak].max() < 0.001


def test_an_open_wire_is_open_to_an_ohmmeter_only_with_the_module_off():
    """Beside an open ground a meter reads by way of the module and its other wires (common practice, no source)."""
    drawn = feeds_drawn()
    gone = drawn.ground_ohms >= OPEN_OHMS

    assert ohms_along(drawn, Line.GROUND, plugged=False)[gone].min() >= 0.99 * OPEN_OHMS
    assert ohms_along(drawn, Line.GROUND, plugged=True)[gone].max() < 2e5


# --- what readings mean --------------------------------------------------------------------------------------------

JUDGED = {
    "a blown fuse": ([volts("0.3 V")], FeedState.SUPPLY_MISSING, 0.9),
    "nothing at an unplugged plug": (
        [volts("0.02 V", against="battery -", unplugged=["ABS"])],
        FeedState.SUPPLY_MISSING,
        0.9,
    ),
    "a lamp that burns bright": ([volts("12.2 V", unplugged=["ABS"], loaded="yes")], FeedState.SOUND, 0.9),
    # A rotten ground point by its four readings, as in a shop's own notes: the lamp glows dull.
    "a ground point rotten": (
        [
            volts("12.3 V", against="battery -", unplugged=["ABS"], loaded="yes"),
            volts("4.2 V", unplugged=["ABS"], loaded="yes"),
            volts("8.1 V", line="ground", against="battery -", unplugged=["ABS"], loaded="yes"),
        ],
        FeedState.GROUND_POOR,
        0.95,
    ),
    # More than 0.1 to 0.2 V along a ground that carries current is too much (common practice, no source).
    "0.4 V lost along the ground": (
        [volts("0.4 V", line="ground", against="battery -")],
        FeedState.GROUND_POOR,
        0.9,
    ),
    # Half a volt is the most for a whole supply (common practice, no source).
    "1.5 V lost along the supply": ([volts("1.5 V", against="battery +")], FeedState.SUPPLY_WEAK, 0.8),
    "a lamp that glows on a weak supply": (
        [volts("9.0 V", against="battery -", unplugged=["ABS"], loaded="yes")],
        FeedState.SUPPLY_WEAK,
        0.8,
    ),
    # Not below 10 V while starting, 13 to 14.5 V with the engine running (a machine maker's manual for a roller).
    "10.4 V while cranking": ([volts("10.4 V", ignition="cranking")], FeedState.SOUND, 0.8),
    "7.3 V while cranking": ([volts("7.3 V", ignition="cranking")], FeedState.SUPPLY_WEAK, 0.8),
    "14.1 V running": ([volts("14.1 V", ignition="running")], FeedState.SOUND, 0.8),
    "11.8 V running": ([volts("11.8 V", ignition="running")], FeedState.SUPPLY_WEAK, 0.8),
    # Twice all of it in a vehicle of 24 V: 26 to 29 V running (common practice, no source).
    "27.5 V running": ([volts("27.5 V", ignition="running")], FeedState.SOUND, 0.8),
    "OL from the ground pin": ([ohms("OL")], FeedState.GROUND_POOR, 0.9),
    "12 ohm from the ground pin": ([ohms("12 ohm")], FeedState.GROUND_POOR, 0.8),
    "under half a volt": ([volts("under 0.5 V", unplugged=["ABS"])], FeedState.SUPPLY_MISSING, 0.85),
}


@pytest.mark.parametrize("name", JUDGED)
def test_readings_at_a_plug_mean_what_a_technician_says(name):
    """Each set of readings by the state a technician calls it."""
    readings, state, least = JUDGED[name]
    found = feed(*readings)

    assert found.state is state
    assert found.probabilities[state] >= least


def test_volts_without_load_leave_a_poor_joint_open():
    """12 V at a plug that hangs free prove a path, not one that carries current (common practice, no source)."""
    free, lit = (
        feed(volts("12.3 V", unplugged=["ABS"], loaded=loaded)).probabilities for loaded in ("no", "yes")
    )

    assert free[FeedState.SUPPLY_WEAK] > 0.08
    assert lit[FeedState.SUPPLY_WEAK] < 0.01


def test_no_volts_with_the_ignition_off_accuse_nobody():
    """A pin fed with the ignition shows nothing while it is off (common practice, no source)."""
    assert feed(volts("0 V", ignition="off", unplugged=["ABS"])).state is FeedState.SOUND


def test_a_supply_that_comes_and_goes_is_not_called_sound():
    """12.2 V, and 3 V when shaken."""
    assert feed(volts("12.2 V, 3 V when shaken")).sound < 0.1


def test_one_feed_per_module_and_the_dlc_is_one():
    """Readings at one plug go together, whatever the plug is called."""
    found = feeds_of(
        [
            volts("12.3 V", at="DLC"),
            volts("0.2 V"),
            volts("0.1 V", line="ground", against="battery -", at="anti-lock brakes plug"),
            volts("2.5 V", line="CAN high"),
            volts("0.1 V", at="connector of ZQX"),
        ]
    )

    assert [each.module for each in found] == ["DLC", "ABS", "connector of ZQX"]
    assert [len(each.read) for each in found] == [1, 2, 1]


def test_what_was_read_after_the_repair_is_no_feed_as_found():
    """The repaired feed would hide the fault."""
    assert feeds_of([volts("12.4 V", stage="after repair")]) == []


@pytest.mark.slow
@given(st.floats(0.0, 30.0), st.sampled_from(["on", "cranking", "running", "off"]), st.booleans())
def test_probabilities_sum_to_one_whatever_is_read(number, ignition, plugged):
    """No value falls outside of every state."""
    found = feed(volts(f"{number:.2f} V", ignition=ignition, unplugged="nothing" if plugged else ["ABS"]))

    assert sum(found.probabilities.values()) == pytest.approx(1.0)
    assert min(found.probabilities.values()) > 0.0


# --- in words, and beside the bus ----------------------------------------------------------------------------------


def test_a_feed_is_told_in_one_line():
    """Sure, likely, not decided."""
    assert feed_words(feed(volts("0.3 V"))) == "ABS: supply missing: 0.3 V at its plug"
    assert feed_words(feed(volts("12.3 V", at="DLC"))) == (
        "DLC: most likely supply and ground sound (0.80): 12.3 V at its pins; a poor joint shows only under load"
    )
    undecided = feed_words(feed(volts("0 V", ignition="off", unplugged=["ABS"])))
    assert undecided.startswith("ABS: not decided (supply and ground sound 0.")


def test_the_reading_that_says_most_is_shown():
    """Of a rotten ground it is the volts lost there."""
    words = feed_words(feed(*JUDGED["a ground point rotten"][0]))
    assert words == "ABS: ground missing or poor: 8.1 V lost along its ground wire under load"


def test_a_feed_as_data_names_every_state():
    """What `--json` prints."""
    data = feed_data(feed(volts("0.3 V")))

    assert (data["module"], data["state"], data["under_load"]) == ("ABS", "supply missing", True)
    assert sum(row["probability"] for row in data["states"]) == pytest.approx(1.0, abs=0.001)


@pytest.mark.slow
@pytest.mark.parametrize(
    "drop",
    [
        volts("0.8 V", at="connector of ABS", against=None, to="fuse 12"),
        volts("0.4 V", line="ground", against="ground"),
        ohms("-14 ohm", line="ground", against="battery -"),
    ],
)
def test_a_drop_between_two_points_is_no_supply_that_is_missing(drop):
    """0.8 V lost along a wire is not 0.8 V at the plug; it is kept and said."""
    assert feeds_of([drop]) == []
    assert diagnose([drop], Medium.HIGH_SPEED_CAN, rough=True).interpreted.unused


def test_a_feed_is_no_reading_of_the_bus_and_what_says_nothing_is_named():
    """Neither an observation nor something not used; ohms across the plug are those of what hangs on it."""
    readings = [volts("0.3 V"), ohms("14 ohm", line="supply", against="ground")]
    interpreted = diagnose(readings, Medium.HIGH_SPEED_CAN, rough=True).interpreted

    assert interpreted.observations == []
    assert [(index, why[:32]) for index, why in interpreted.unused] == [
        (1, "ohms between supply and ground o")
    ]
