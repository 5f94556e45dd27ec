"""From a recipe to a proven job folder: one module a command, on top of every room."""
