"""The site file: its tables, how it is read, and what is wrong in it or worth a second look."""
