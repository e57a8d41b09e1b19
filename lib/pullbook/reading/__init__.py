"""From the bytes of a log to named signals in known units at the times they were measured."""
