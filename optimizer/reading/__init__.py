"""Reading lots and recipes, with every fault of a file found at once."""
