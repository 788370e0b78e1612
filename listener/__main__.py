"""python -m listener"""

from listener.cli import main

main()
