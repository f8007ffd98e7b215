"""May a card be used again? `judging` looks at card and drives now; `last_known` looks at neither
and goes by what was recorded; what both rest on is in `copied`, and the verdict in
`ingest.assurance.reuse`."""
