"""How are the facts of a story told? In plain sentences, each with its clock time and the events that it rests on."""
