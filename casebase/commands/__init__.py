"""The commands: each module holds a group of them, and is imported when one of them is called."""
