"""What readings mean: physical layers, the electrical network of a bus, faults, the posterior, the next test."""
