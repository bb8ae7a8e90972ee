"""Why: what each requirement costs, what a lot is worth, what to do where no batch exists, and what if."""
