"""From measures to a change with its uncertainty and a verdict."""
