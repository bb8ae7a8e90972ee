"""The files of a week: as typed, checked, and a plan read back."""
