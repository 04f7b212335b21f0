"""What may be filled, how far, and why not: the register's facts, the rules of a jurisdiction, and the verdict."""
