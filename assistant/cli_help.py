"""Small parts of help texts that every command shares."""


def example(*lines: str) -> str:
    """The epilog of a command: its examples, a line each, kept as they are."""
    return "\b\nExamples:\n" + "\n".join(f"  {line}" for line in lines)
