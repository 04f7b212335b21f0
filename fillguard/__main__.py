"""`python -m fillguard`."""

from fillguard.cli import main

if __name__ == "__main__":
    main()
