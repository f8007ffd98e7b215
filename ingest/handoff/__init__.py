"""What an editor takes: a timeline, a table, or the files themselves."""
