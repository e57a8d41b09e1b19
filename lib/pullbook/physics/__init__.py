"""Physics of air, engines and wheels; knows nothing of logs."""
