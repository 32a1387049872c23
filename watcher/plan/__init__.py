"""Watch plans: what to listen to, read from TOML and checked."""
