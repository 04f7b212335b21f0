"""The ledger: one SQLite file that is the record of the station. Everything else is a mirror of it."""
