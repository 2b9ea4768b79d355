"""From the shop's own records to what the team reads: only fields listed as public, frozen into one file."""
