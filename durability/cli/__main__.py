"""``python -m durability.cli``"""

from durability.cli import main

main()
