"""How is it shown and kept? Reports, figures, tables and the results folder."""
