"""What every TOML file of ours is checked with: field types, quantities, positions, problems and their fixes."""
