"""The stock ledger in one SQLite file: what came, what went into which batch, what was sold; and its trace."""
