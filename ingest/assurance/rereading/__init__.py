"""Copies read again: `values` (what is asked and found), `one_copy` (one file looked at),
`unlisted` (files in a roll's folder that nobody knows), `drives` (all of it, several devices at
once). Nothing is ever written to a drive."""
