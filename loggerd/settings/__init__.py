"""The keeper's settings: one TOML file per site, checked as a whole before anything starts."""
