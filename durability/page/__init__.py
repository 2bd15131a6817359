"""How does one work without a terminal? A page in the browser, served to this machine alone.

The page lists the studies of one folder, takes a laboratory's spreadsheet, shows what is wrong at
its cell, runs the study and shows its answer. All of it is done by the calls that the commands use;
nothing is stored outside the folder and nothing leaves the machine.
"""

from durability.page.serve import Served, serve

__all__ = ["Served", "serve"]
