"""The store on disk: readings, raw scans, the journal of findings, the outbox. SQLite."""
