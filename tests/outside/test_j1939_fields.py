"""Fields of J1939 identifiers against the package can-j1939."""

import j1939
import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.intake.bus_log.senders import j1939_fields

pytestmark = pytest.mark.slow


@given(st.integers(0, 0x1FFF_FFFF))
def test_priority_group_and_source_are_those_of_can_j1939(number):
    """SAE J1939-21; below PDU format 240 can-j1939 leaves the destination in the group, which has none there."""
    found = j1939_fields(number)
    theirs = j1939.MessageId(can_id=number)
    group = j1939.ParameterGroupNumber()
    group.from_message_id(theirs)
    assert found.priority == theirs.priority
    assert found.source == theirs.source_address
    specific = 0 if group.is_pdu1_format else group.pdu_specific
    assert found.parameter_group & 0x1FFFF == (group.data_page << 16) | (group.pdu_format << 8) | specific
    assert found.destination == (group.pdu_specific if group.is_pdu1_format else 255)
