"""What the person states: the experiment, its outcomes, what is kept private, where files lie."""
