"""Next week: many batches on many days from shared lots, and what to buy for them."""
