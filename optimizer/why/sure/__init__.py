"""The same answers where limits are kept with a stated confidence, by solving again at changed figures."""
