"""What a machine needs before a kit can come: facts gathered as data, judged without effects."""
