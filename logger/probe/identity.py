"""Is the instrument that answers the one that was meant? Law: a pure question, the same for every protocol."""


def identity_fault(identity: str, expected: str | None, *, simulated: bool) -> str:
    """Return why this instrument is not the one to listen to (one sentence); empty: it is the one."""
    if ("SIMULATED" in identity.upper()) != simulated:
        there, wanted = ("a real", "a simulated") if simulated else ("a simulated", "a real")
        who = identity or "it says nothing of who it is"
        return f"{there} instrument answers ({who}) where the configuration wants {wanted} one"
    if expected is not None and expected not in identity:
        said = f"the instrument says it is {identity!r}" if identity else "the instrument does not say who it is"
        return f"{said}, which does not contain the configured identity {expected!r}"
    return ""
