"""The profiles that come with the program."""

from importlib.resources import files

_ENDING = ".toml"


def library_names() -> list[str]:
    """The names of the shipped profiles, sorted."""
    folder = files("benchwarden.profiles").joinpath("library")
    return sorted(entry.name.removesuffix(_ENDING) for entry in folder.iterdir() if entry.name.endswith(_ENDING))


def library_text(name: str) -> str:
    """The TOML text of a shipped profile; KeyError that names those there are."""
    if name not in library_names():
        raise KeyError(f"there is no profile {name!r}; shipped are {', '.join(library_names())}")
    return files("benchwarden.profiles").joinpath("library", name + _ENDING).read_text(encoding="utf-8")
