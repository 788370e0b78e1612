"""Putting the watch on this computer: settings, a unit for the service manager, and folders; and taking it away again.

It writes files and starts nothing: what a person has to type is printed.
"""
