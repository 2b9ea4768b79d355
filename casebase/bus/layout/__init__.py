"""Where on a wiring layout a fault lies: the harness as a graph, faults on every element, the test that halves it."""
