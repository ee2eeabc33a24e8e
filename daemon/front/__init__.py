"""The front: shows what a bench does to people elsewhere. Touches no instrument and writes into no run folder."""
