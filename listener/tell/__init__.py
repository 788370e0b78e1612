"""What people are told, and how: console lines, JSON lines, the alert tone, HTML pages."""
