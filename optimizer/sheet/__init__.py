"""Sheets for the kitchen: a batch, or a week's orders, pulls and batches, as one page to print and write on."""
