"""The program of a problem kept in the solver and asked many small questions, every answer settled exactly."""
