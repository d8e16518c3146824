"""What the records say of the line: yields with their intervals, causes, drift, stops, pace. Pure; reads entries."""
