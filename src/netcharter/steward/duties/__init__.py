"""The duties: one file each, a pure decision from state, facts and instant."""
