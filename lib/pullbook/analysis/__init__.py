"""An experiment from its folder to its result, in order."""
