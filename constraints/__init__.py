"""What a batch must satisfy: requirements with three faces, and the rule packs that hold the law as data."""
