"""`python -m noisemap` runs the command line."""

from noisemap.cli.main import main

if __name__ == "__main__":
    main()
