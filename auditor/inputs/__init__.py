"""What people and recorders hand in: orders, logs, folders, object stores; checked at the edge."""
