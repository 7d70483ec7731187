"""What makes a station trustworthy: test cards that prove a process, measurements of where a plate lies."""
