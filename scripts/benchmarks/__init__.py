"""The benchmark: whole commands, timed as a user would time them, against their floor."""
