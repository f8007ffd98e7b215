"""`ingest rebuild`: the catalog from the drives' hash lists alone.

What a list says is a claim: enough to find a clip and to report it, and never enough to use a
card again. No footage is read. The drives are taken together, so that files on which their lists
differ come to light. Nothing is written to a drive, and a second run adds nothing.

`running` has the order of it, `comparing` says what the lists come to, `recording` takes it in.
"""
