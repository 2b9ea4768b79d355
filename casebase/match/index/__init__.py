"""The match index: all cases as arrays, kept in a folder, and the first few found exactly."""
