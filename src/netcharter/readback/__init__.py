"""What a kernel has loaded, as decisions: nftables' JSON listing read by code that never saw `render`."""
