"""How much more a dump holds than the analyser reads: a library's classifier on the same rows.

`lanes` and `addresses` put what was measured into numbers, `places` gathers them for each place of
a board that may be at fault, `truths` says what is so there, `learning` trains the classifiers,
`answers` reads out of them what they would say of a dump, and `headroom_page` sets that beside the
analyser. None of them looks at a likelihood or a posterior of the analyser.
"""
