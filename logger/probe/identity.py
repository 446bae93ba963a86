"""Check that the instrument that answers is the configured one. Law: pure, the same for every protocol."""


def identity_fault(identity: str, expected: str | None, *, simulated: bool) -> str:
    """Return why this is not the configured instrument (one sentence); empty: it is."""
    if ("SIMULATED" in identity.upper()) != simulated:
        there, wanted = ("a real", "a simulated") if simulated else ("a simulated", "a real")
        who = identity or "it says nothing of who it is"
        return f"{there} instrument answers ({who}) where the configuration wants {wanted} one"
    if expected is not None and expected not in identity:
        what = f"the instrument says it is {identity!r}" if identity else "the instrument does not say who it is"
        return f"{what}, which does not contain the configured identity {expected!r}"
    return ""
