"""What people and programs get to see: the terminal's tables, the JSON documents."""
