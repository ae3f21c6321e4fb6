"""The layout finder: which number of a datagram that nobody has described carries which quantity.

    History  ->  Family, its datagrams  ->  Shape: numbers at places     (history, shapes, text_shapes)
    what the builder types  ->  Reading, each with its tolerance         (readings)
    both  ->  Verdict of each quantity: candidates, confidence, rivals   (search, verdict)
    the history alone  ->  Clock, the sender's own                       (clock)
    verdicts and clock  ->  the layout file                              (written)

Everything here is pure: `bridge.commands.find` hears the datagrams and asks.
"""
