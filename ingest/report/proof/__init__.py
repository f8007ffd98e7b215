"""The client's proof: what was checked, when, and how to check it without any program of ours."""
