"""Stand-ins for what other systems bring, each made by that system's own documentation, which its docstring names."""
