"""Click commands: parse, call one job, show. No logic."""
