"""Which of many networks holds an address, without asking each of them."""

from __future__ import annotations

from collections.abc import Iterable

from netcharter.charter.model import Address, Network


class Where:
    """Names by network. Of several networks that hold an address the narrowest counts, and of two
    alike the first.
    """

    def __init__(self, named: Iterable[tuple[Network, str]]) -> None:
        self._tables: dict[tuple[int, int], dict[int, str]] = {}
        for network, name in named:
            shift = network.max_prefixlen - network.prefixlen
            table = self._tables.setdefault((network.version, shift), {})
            table.setdefault(int(network.network_address) >> shift, name)
        self._order = sorted(self._tables, key=lambda key: key[1])

    def of(self, address: Address) -> str | None:
        """The name of the network that holds it; None where none does."""
        number, version = int(address), address.version
        for key in self._order:
            if key[0] == version:
                name = self._tables[key].get(number >> key[1])
                if name is not None:
                    return name
        return None
