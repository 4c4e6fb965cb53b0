"""How does a night leave the program in open formats that other programs read?"""
