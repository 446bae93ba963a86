"""`python -P -m logger` is `vatvigil`."""

from logger.cli import main

if __name__ == "__main__":
    main(prog_name="vatvigil")
