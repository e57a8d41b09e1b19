"""Words, tables, pictures and posts made from a result alone."""
