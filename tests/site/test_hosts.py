"""Addresses on paper are those another device can ask for (loopback: RFC 1122, 3.2.1.3)."""

from casebase.site import connections
from casebase.site.connections import Hosts, for_others


def test_an_address_of_this_computer_alone_is_printed_as_that_in_the_network(monkeypatch):
    """A phone that reads http://127.0.0.1 off paper would ask itself."""
    monkeypatch.setattr(connections, "network_address", lambda: "192.0.2.44")
    asked = "http://127.0.0.1:8601/job?codes=U0100"
    assert for_others(asked, Hosts("0.0.0.0")) == "http://192.0.2.44:8601/job?codes=U0100"


def test_what_nobody_else_can_ask_stays_as_it_is(monkeypatch):
    """A site of this computer alone, a computer in no network, and a name that was asked for."""
    monkeypatch.setattr(connections, "network_address", lambda: None)
    asked = "http://127.0.0.1:8601/case/abc"
    assert for_others(asked, Hosts("127.0.0.1")) == asked
    assert for_others(asked, Hosts("0.0.0.0")) == asked
    assert for_others("http://shop.local/case/abc", Hosts("0.0.0.0")) == "http://shop.local/case/abc"


def test_the_computer_knows_its_address_without_sending_anything():
    """An address in figures, or none where there is no network."""
    found = connections.network_address()
    assert found is None or found.count(".") == 3
