"""Phrases that a result does not support, as data: what marks each, why, and what could be said in its place.

To add a rule, add a line to `RULES` and, in the tests, at least three sentences it must mark and three it must not. A
pattern is looked for in one sentence at a time, in small and capital letters alike. Words in quotation marks are
mentioned, not used, and are passed over. What stands in braces in ``instead`` is filled from the result.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

POOL, PANEL, PREFERENCE = "pool", "panel", "preference"

NUMBER_WORDS = {
    word: n
    for n, word in enumerate(
        ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"], start=1
    )
}
_FEW = "|".join(NUMBER_WORDS)
_COUNT = rf"(?:\d[\d,]*|{_FEW})"
_SHARE = (
    rf"(?:\d+(?:\.\d+)? ?(?:%|per ?cent)|(?:a|one|two|three|four)[ -](?:third|quarter|fifth|half)s?|half|most|many|"
    rf"some|several|a few|(?:a|the) (?:majority|minority)|{_COUNT} (?:in|of|out of|/) (?:the |our )?{_COUNT}|"
    rf"{_COUNT}/{_COUNT})"
)


def _any(*ideas: str) -> str:
    """One pattern of several, an idea each."""
    return "|".join(ideas)


# Shared vocabulary: who perceives, how, and how it is denied.
_SENSE = (
    r"detect(?:s|ed)?|notic(?:e|es|ed)|perceiv(?:e|es|ed)|discern(?:s|ed)?|spot(?:s|ted)?|sens(?:e|es|ed)|"
    r"discriminat(?:e|es|ed)|distinguish(?:es|ed)?|pick(?:s|ed)? (?:(?:it|them) )?(?:up|out)"
)
_PERCEIVE = rf"(?:tastes?|tasted|tells?|told|{_SENSE})"
_SEE = (
    rf"(?:{_SENSE}|tast(?:e|es|ed)(?= (?:it|the|any|a|them)\b)|(?:tells?|told)(?= (?:[\w'’-]+ ){{0,4}}?(?:apart\b|"
    r"differences?\b|which (?:was|is|one|cup)\b|from the )))"
)
_CANNOT = (
    r"(?:\bcannot|\b(?:could|can|did|do|does|would|will)(?: not|n['’]t)|\b(?:ca|wo)n['’]t|\b(?:un|not )able to|"
    r"\bimpossible to|\bfail(?:s|ed)? to|\bno way (?:to|of))(?: be able to)?"
)
_PEOPLE = r"(?:tasters|people|panell?ists|assessors|customers|consumers|(?:\w+ )?(?:drinkers|lovers|fans)|guests|you)"
_BEFORE = ("that", "and", "so", "but", "because", "our", "the", "these", "your", "all")
_ABOUT_ALL = f"(?:{_any('^', *(f'(?<={word} )' for word in _BEFORE))})"
_NO_ONE = (
    r"(?:no[ -]?one|nobody|no (?:taster|person|customer|drinker|guest|panell?ist)|(?:hardly|scarcely|barely) "
    r"any(?:one|body)|not (?:even )?(?:a single|one) (?!of\b)\w+|(?:none|not (?:even )?one) of (?:the |our )?\w+)"
)
_ALL_OR_NONE = (
    rf"(?:everyone|everybody|anyone|anybody|{_NO_ONE}|all (?:of )?(?:the |our )?(?:tasters|people|customers|"
    r"consumers|drinkers)|(?:our |the |your |most )?(?:customers|consumers|drinkers|shoppers|guests)|the (?:public|"
    r"market))"
)
# What follows "taste" where it is said of an evening and not of a product: when, where, how or how many.
_OCCASION = (
    r" (?:on|at|before|after|until|till|again|blind|twice|once|yet|together|alone|apart from|today|tonight|during|"
    r"because|as|while|well|properly|more|fewer|enough|both|all|every|each|anything else|\d)\b"
)
_TASTE_ANYTHING = rf"taste(?= \w)(?!{_OCCASION}| (?:in|from|to|for|with|without|by|and|or|nor|if|when|where)\b)"
_WARES = (
    r"(?:they|it|both|two|cups|samples?|products?|beers?|ciders?|breads?|loaves|coffees?|recipes?|versions?|batches)"
)
_EQUAL = (
    r"(?:(?:exactly|just|really|all|both|\w+ly) ){0,2}(?:the same|identical|alike|equivalent|indistinguishable|"
    r"interchangeable|equal(?!-| (?:in (?!taste|flavou?r)|size|amount)))\b"
)
_CHANGE = r"(?:differences?|change|swap|switch)"
# What bounds a denied difference, or says what cannot be told from guessing: both are sentences of our own.
_BOUNDED = (
    r"(?! (?:larger|bigger|greater|beyond|above|of more|exceeding|as large|that (?:matters|would matter)))"
    r"(?![^.;!?]{0,30}\b(?:small|smaller|p_?d|d-?prime|margin|(?:from|between) (?:\w+ )?(?:guess\w*|luck|chance|"
    r"explanations?)|guess(?:ing)? from))"
)
_OBJECT = (
    r"(?: (?:it|them|this|that|apart|which|between|any|anything|something)\b| (?:the|a) (?!odd|right|correct)\w+|"
    r"\s*[.!?,;]|\s*$)"
)

# What stands before a phrase in its own clause and turns it into something we would say ourselves.
NEGATED = (
    r"(?:\bnot\b|n['’]t\b|\bcannot\b|\bnever\b|\bnor\b|\bneither\b|\bno (?:evidence|proof|reason|grounds|basis|"
    r"sign)\b|\bwithout\b|\brather than\b|\binstead of\b|\bunable\b|\bfar from\b|\bwrong to\b|\bpremature\b|\btoo "
    r"(?:early|soon)\b|"
    r"\bhardly\b|\brules? out\b)[^.;:!?]*$|\bno $"
)
CONDITIONAL = r"\b(?:if|when|whether|unless|assuming|suppose|supposing|had)\b[^.;:!?]*$"
# Where a clause begins: what is denied before it is not denied in it.
CLAUSE = (
    r"[.;:!?]|,\s+(?=(?:so|and|no|but|the|they|it|we|there|people|tasters|nobody|everyone|hence|thus|therefore|which|"
    r"meaning|these|this|our)\b)|\b(?:so|hence|thus|therefore|because|although|though|but|meaning|which means)\b|"
    r"\band\s+(?=(?:there|it|the|they|we|so|thus|therefore)\b)"
)


@dataclass(frozen=True)
class Rule:
    """A kind of phrase that a result does not support.

    Attributes
    ----------
    id : str
    pattern : str
        A regular expression that marks it.
    reason : str
        Why the result does not support it.
    instead : str
        A sentence it does support, with ``{size}``, ``{rate}``, ``{count}``, ``{people}``, ``{verdict}``, ``{spread}``,
        ``{significance}``, ``{evidence}``, ``{interval}`` or ``{preference}`` filled from the result.
    unless : str
        Wording anywhere in the sentence that excuses it.
    deniable : bool
        Whether a denial or a condition before it, in the same clause, excuses it.
    results : tuple of str
        The kinds of result it holds for.
    undirected : bool
        Whether it holds only where no panel named an attribute.
    """

    id: str
    pattern: str
    reason: str
    instead: str
    unless: str = r"(?!)"
    deniable: bool = False
    results: tuple[str, ...] = (POOL, PANEL, PREFERENCE)
    undirected: bool = False


_TASTED = "sweet|salty|sour|bitter|dry|fruity|fresh|hoppy|malty|smooth|rich|creamy|crisp|intense|acidic|astringent"
_MORE = "sweeter|saltier|sourer|drier|fruitier|fresher|hoppier|maltier|smoother|richer|creamier|crisper|tastier|nicer"
_KINDS_OF_DIFFERENCE = (
    "real|clear|perceptible|perceivable|noticeable|detectable|discernible|sensory|taste|significant|statistically|"
    "meaningful|measurable|flavour|flavor|actual|true|apparent|obvious|practical"
)
_SIZED = (
    r"(?:negligible|tiny|trivial|minimal|minor|slight|small|subtle|modest|insignificantly small|large|big|huge|"
    r"massive|"
    r"enormous|dramatic|striking|obvious|unmistakable|considerable|substantial)"
)
_CALLED = (
    r"(?:significan\w+|success\w*|positive|negative|null|f[oi]und|detect\w*|notic\w*|show(?:ed|s|n)?|pass(?:ed)?|"
    r"fail(?:ed)?|work(?:ed)?|tell|told|pick(?:ed)?|distinguish\w*|said (?:yes|no)|reached|agree\w*|confirm\w*|came "
    r"out)\b"
)

_SORT = rf"(?:(?:{_KINDS_OF_DIFFERENCE}) ){{0,3}}"

RULES: tuple[Rule, ...] = (
    Rule(
        "no-difference",
        _any(
            rf"\b(?:no|zero|not any|lack of|absence of)(?: any| a)? {_SORT}(?:differences?|effect|impact)\b{_BOUNDED}",
            rf"(?:not|n['’]t)(?: (?:find|found|see|have|show|make|{_SENSE}))? (?:any|a|the slightest) (?!statistical)"
            rf"{_SORT}{_CHANGE}\b{_BOUNDED}",
            rf"{_CANNOT} (?:(?:even|really|\w+ly) )?(?:{_TASTE_ANYTHING}|be (?:\w+ly )?(?:tasted|noticed)\b"
            rf"(?!{_OCCASION})){_BOUNDED}",
            rf"{_CANNOT}(?: be| even| really| \w+ly){{0,2}} {_SEE}\b(?! (?:the odd|any smell)){_BOUNDED}",
            r"\b(?:did|do|does|could|would)(?:n['’]t| not) (?:differ|change the (?:taste|flavou?r))\b",
            r"(?:\bnot|n['’]t) (?:at all |really |taste (?:any )?)?different\b|\bno different\b",
            r"\bnothing (?:\w+ )?(?:different|changed|to choose)\b",
            r"\b(?:indistinguishable|interchangeable|identical|equivalent|undetect(?:able|ed)|unnotice(?:able|d)|"
            r"imperceptibl[ey])\b",
            r"\bsame (?:great |good |old )?(?:taste|flavou?r|aroma)\b(?! tests?)",
            r"\b(?:tastes?|tasted) (?:exactly |just |all |both |much )*the same\b",
            r"\b(?:tastes?|tasted|smells?|smelled|smelt) (?:\w+ly )?(?:like|as good as) (?:the|our) (?:old|original|"
            r"former|usual|previous|other|real)\b",
            r"\b(?:tastes?|tasted|are|is|were|was|to be) (?:exactly |just |all |both )?(?:the same\b(?! (?:d-?prime|"
            r"in (?:all|each|every)\b|"
            r"size|batch|people|tasters|panel|protocol|number|margin|as (?:before|the)))|alike\b)",
            rf"\b{_WARES} (?:are|is|were|was|tastes?|tasted) (?=\w* ?equal){_EQUAL}",
            r"\b(?:tastes?|tasted|smells?|smelled|smelt) (?:exactly|just|precisely|perfectly) (?:like|as)\b|"
            r"\b(?:exactly|"
            r"just) like (?:the|our) (?:old|original|former|usual)\b",
            r"\b(?:taste|flavou?r|aroma)s? (?:\w+ )?(?:unchanged|unaffected|unaltered|(?:has |is )?not changed)\b",
            r"\bmatch(?:es|ed)? (?:perfectly|exactly|each other)\b|\bperfect match\b",
            r"\b(?:just|only|merely|simply|purely) (?:a )?guess(?:ing|ed|es|work)?\b|\bguesswork\b",
            r"\b(?:tasters|panels?|people|panell?ists|they) (?:all |probably |merely )?(?:were |was )?guess(?:ed|"
            r"ing)\b",
            r"\bno better than (?:chance|guess\w*|luck)\b",
        ),
        "Panels can bound a difference; they cannot show that there is none. Too few answers look the same as "
        "nothing to taste.",
        "{verdict}",
        deniable=True,
    ),
    Rule(
        "headcount",
        rf"\b{_SHARE}(?: of)?(?: (?!correct\b|answers?\b|tastings?\b|panels?\b)[\w'’-]+){{0,4}}?(?: (?:can|could|"
        rf"(?:are|were|is|was) able to|will|would|do|did|actually|really)(?:not| not|n['’]t)?)?(?: \w+ly)? "
        rf"{_PERCEIVE}{_OBJECT}|\b(?:(?:only|just) )?(?:{_COUNT}|a single|a) (?:of (?:the|our) )?(?:[\w-]+ )?"
        rf"(?:tasters?|people|persons?|drinkers?|panell?ists?|assessors?|guests?|customers?|volunteers?)"
        rf"(?: (?:has|have|had|did|could|can|actually|really))*(?: \w+ly)? (?:{_SENSE}|told(?= (?:them|it|the)\b))"
        rf"(?: (?:it|them|this|that|anything|something|(?:the|a|any) (?:\w+ )?{_CHANGE})\b|\s*[.!?,;]|\s*$)",
        "A rate of correct answers is no number of people: guessers are correct too, and nobody is a fixed yes or no.",
        "{rate}",
        unless=r"\bodd (?:cup|one|sample)\b",
        deniable=True,
    ),
    Rule(
        "everyone",
        _any(
            rf"{_ABOUT_ALL}{_PEOPLE}(?: can| could| do| did| will| would| (?:are|were) able to| \w+ly)+ {_SEE}\b",
            rf"{_ABOUT_ALL}{_PEOPLE} {_SEE}[^.;!?]{{0,20}} (?:apart|{_CHANGE})\b",
            rf"\b{_NO_ONE} (?:can|could|will|would|(?:is|was) able to)(?: (?:ever|even|really|\w+ly)){{0,2}} "
            rf"{_TASTE_ANYTHING}",
            r"\bwithout (?:(?:[\w'’-]+ ){1,4}?(?:noticing|detecting|spotting|perceiving|reali[sz]ing)|being (?:noticed|"
            r"detected|spotted|tasted))\b(?! (?:the )?(?:codes?|labels?|colou?rs?)\b)",
            rf"{_CANNOT} (?!promise|say|claim|show|prove|tell|conclude|assume|guarantee)(?:(?!that\b)[\w'’-]+ ){{1,6}}?"
            rf"without (?:[\w'’-]+ ){{1,4}}?(?:noticing|detecting|spotting|tasting)\b",
            rf"\b{_NO_ONE} (?:\w+ly )?(?:tasted|tastes) (?:it|the|our|any)\b(?! (?:samples?|cups?|reference|codes?)\b)"
            r"(?![^.;!?]{0,40}\b(?:before|after|twice|again|until|without|alone|outside|home|both|all)\b)",
            r"\b(?:none|any|no) the wiser\b(?! about)",
            rf"\b{_ALL_OR_NONE}(?: [\w'’]+){{0,3}}? (?:tast(?:e|es|ed) (?:it|(?:the|a|any) {_CHANGE}|them apart)|tell|"
            r"(?<!was )(?<!were )(?<!been )told(?! (?:the|our|us|me|you|tasters|anyone)\b)|notic\w+|detect\w*|"
            r"perceiv\w+|spot(?:ted)?|prefer\w*|likes?|liked|"
            r"loves?|loved|hates?|cares?|minds?|miss(?:es|ed)?|find|found|knows?|guess(?:ed|es|ing)?)\b",
        ),
        "The panels asked these tasters; they say how often answers were correct, not what everybody, or any "
        "customer, does.",
        "{count}",
        unless=r"\basked\b|\bguess(?:es|ing|ed)? alone\b",
        deniable=True,
    ),
    Rule(
        "size-in-words",
        _any(
            rf"\b(?:effect|impact|{_CHANGE})(?: in \w+| between \w+ \w+)? (?:is|was|seems|looks|remains|stays)"
            rf"(?: \w+ly| very| so| too| quite| rather){{0,2}} {_SIZED}\b(?! (?:enough|as|than))",
            rf"(?:\b(?:is|was|are|were|found|saw|makes?|made|have|has|only|just) )(?:an? |the )?(?:\w+ly |very "
            rf")?{_SIZED} "
            rf"(?:\w+ )?(?:effect|impact|{_CHANGE})\b(?! (?:is|was|cannot|may|looks|seems|would|could))",
            r"\b(?:barely|hardly|hugely|vastly|wildly|strikingly|obviously|clearly) different\b",
            r"\b(?:worlds|miles) apart\b|\bnight and day\b",
        ),
        "How large a difference is, and for whom it matters, is said by the d-prime against a margin; an adjective is "
        "neither.",
        "{size} {verdict}",
        unless=r"\bmargin\b|\bd-?prime\b|\bp_?d\b",
        deniable=True,
    ),
    Rule(
        "proved",
        r"\b(?:dis)?prove[sdn]?\b(?! nothing)|\bproving\b|(?<!\d )(?<!-)\bproof\b|\bconclusive(?:ly)?\b|"
        r"\bdefinitive(?:ly)?\b|\bbeyond (?:any |all |a |reasonable )*doubt\b|\bwithout (?:a )?doubt\b|"
        r"\bundoubtedly\b|\bguarantee[sd]?\b|\bvalidated\b|\bcertainly\b|\bfor sure\b|\b(?:confirm(?:s|ed)?|"
        r"establish(?:es|ed)?) that\b",
        "Panels shift probabilities; they prove nothing.",
        "{verdict}",
        unless=r"\bproof (?:box|the dough)",
        deniable=True,
    ),
    Rule(
        "chance-of-the-null",
        rf"\b(?:probability|chance|likelihood|odds|risk)\b[^.;!?]{{0,60}}?\b(?:{_WARES} (?:are|is|were|was|be|being|"
        rf"taste[sd]?) {_EQUAL}|that (?:[\w'’-]+ ){{1,6}}?(?:are|were|taste[sd]?) {_EQUAL})|"
        rf"\b{_WARES} (?:are|is|were|was|taste[sd]?) {_EQUAL}[^.;!?]{{0,30}}? (?:with|at) "
        r"[^.;!?]{0,20}?\bprobability\b|"
        rf"\b\d+(?:\.\d+)? ?(?:%|per ?cent) (?:likely|probable)\b[^.;!?]{{0,30}}? (?:are|is|be|tastes?) {_EQUAL}|"
        r"\b\d+(?:\.\d+)? ?(?:%|per ?cent) likely to (?:taste |be )(?:exactly )?(?:the same|alike|identical|equal)\b|"
        r"\b(?:probability|chance|likelihood|odds|risk)\b[^.;!?]{0,60}?\b(?:(?:due to|down to|by|just|pure|mere|"
        r"sheer|only|was|were|is|a) (?:pure |mere |sheer |random |blind )?(?:chance|luck|guesswork|coincidence)\b|"
        r"flukes?\b|null(?: hypothesis)? (?:is|was|"
        r"being) (?:true|right|correct)\b|there (?:is|was) no (?:real )?difference)|\b\d+(?:\.\d+)? "
        r"?(?:%|per ?cent) likely\b[^.;!?]{0,30}\b(?:chance|luck|coincidence|flukes?)\b|"
        r"\bnull\b[^.;!?]{0,30}\bchance of being (?:true|right|correct)\b|\bp "
        r"?(?:=|<|of)[^.;!?]{0,40}\b(?:probability|chance|likel\w+)\b[^.;!?]{0,30}\b(?:null|no difference|the same|"
        r"alike)",
        "A p-value is how often pure guessing would give so many correct answers, and a probability below the margin "
        "allows for small differences. Neither is the probability that there is nothing to taste, or that it was luck.",
        "{significance}",
        unless=r"\b(?:so|as|this|that) many\b|\bor more\b|\bat least (?!a\b|\d+(?:\.\d+)? ?%)|"
        r"\bif (?:all|everyone|everybody|nobody|they)\b|"
        r"\b(?:is|are) not\b|isn['’]t|\bwould (?:give|get|come)\b",
    ),
    Rule(
        "sure-in-percent",
        r"\b\d+(?:\.\d+)? ?(?:%|per ?cent) (?:sure|certain|"
        r"confident)\b(?![^.;!?]*\bmargin\b)[^.;!?]{0,50}?\b(?:differ(?:s|"
        r"ent|ences?)?|real|same|alike|fluke|luck|taste)\b",
        "How sure one may be that there is anything to taste depends on what was held probable before the panels; "
        "without that the percentage says nothing, and a p-value does not give it.",
        "{evidence}",
        deniable=True,
    ),
    Rule(
        "significant-alone",
        r"(?<!statistically )(?<!statistically-)(?<!statistical )\b(?:in|non-?)?significan(?:t|tly|ce)\b",
        "On its own it reads as important. Say statistically significant, with the p-value, and how large the "
        "difference is.",
        "{significance}",
        unless=r"significant (?:figure|digit)s?",
    ),
    Rule(
        "significant-pool",
        r"\bstatistical(?:ly)?[- ](?:in)?significan\w+",
        "A pool is not tested: it has a probability on each side of the margin, and no p-value.",
        "{verdict}",
        unless=r"\bpanels?\b|\bon its own\b",
        results=(POOL,),
    ),
    Rule(
        "vote-count",
        _any(
            rf"\b(?:{_COUNT} (?:of|out of) (?:the |our |these |all )*(?:{_COUNT} )?|most (?:of )?(?:the |our |these "
            rf")*|"
            rf"half (?:of )?(?:the |our )*|only {_COUNT} (?:of the |of our )?|none of (?:the |our )*|several |(?:the|"
            rf"a) "
            rf"majority of (?:the |our )*|{_COUNT} (?=(?:\w+ )?panels? (?:was|were|came|said) ))(?:{_COUNT} )?(?:\w+ "
            rf")?"
            rf"(?:panels?|tests?)\b[^.;!?]{{0,40}}?\b{_CALLED}",
            rf"\b{_COUNT} (?:of|out of) {_COUNT} (?:was|were|came out) (?:not |statistically |non-)*(?:significan\w+|"
            r"positive|negative|successful)\b",
            rf"\b{_COUNT} panels? (?:found|saw|detected|noticed|said) (?:an?|no|any|the|yes)\b",
            rf"\bpanels (?:\w+ )?(?:split|voted|tied)\b|\b{_COUNT} panels? to {_COUNT}\b",
        ),
        "Counting panels that did or did not reach statistical significance throws the sizes away: panels of one "
        "constant difference give mixed verdicts most of the time.",
        "{size} {spread}",
        unless=r"\bone constant\b|\bmixed\b|\bsays? (?:little|nothing)\b|\bvotes?\b|\btogether\b|\bnot evidence\b",
    ),
    Rule(
        "unadjusted-preference",
        r"\bprefer(?:s|red|ring|ences?)?\b|\blik(?:e|es|ed) (?:it|the (?:new|old)|this|that)(?: \w+)? (?:better|more|"
        r"best)\b|\bfavou?r(?:ed|ites?|s)\b|\bw[io]ns? (?:by|against|over|hands|easily|clearly)\b|\bwinner\b|\bcame "
        r"out ahead\b|\benjoy(?:s|ed)? (?:it|the \w+ \w+) more\b|"
        r"\b(?:more|most|less|least) popular\b|\bbetter[- ]liked\b",
        "This result says how often answers were correct, nothing about liking; and of those who were correct, some "
        "only guessed, so that their preferences are diluted.",
        "{preference}",
        unless=r"\bnot asked\b|\bno(?:body| ?one)? (?:was|were) asked\b|\bsays? nothing\b|\bseparate\b|"
        r"\blucky\b|\bdiluted\b",
        deniable=True,
        results=(POOL, PANEL),
    ),
    Rule(
        "power-afterwards",
        r"\b(?:observed|post[- ]?hoc|retrospective|achieved) power\b|\bpower (?:was|of|is|came to|turned "
        r"out)\b[^.;!?]{0,15}\d|"
        r"\bhad (?:only |just |a |too )*(?:\d+ ?% |low |little |enough |sufficient |insufficient )+(?:statistical "
        r")?power\b|\b(?:lack(?:s|ed)?|too little|not enough|insufficient) (?:the |in )?(?:statistical )?power\b|"
        r"\bunder-?powered\b",
        "Power worked out from the answers repeats the p-value. What a panel could have found is said for a stated "
        "difference, such as the margin; what it did find is in the interval.",
        "{size}",
        unless=r"\bagainst\b|\bthe margin\b|\bif the (?:true )?difference\b|"
        r"\bfor a (?:true )?(?:p_d|d-?prime|difference)\b|\bplanned\b|\bbefore\b|\bnext\b",
    ),
    Rule(
        "confidence-for-credible",
        r"\bconfiden(?:ce|t|tly)\b|\bCIs?\b",
        '"Confidence" belongs to another kind of interval than the posterior\'s.',
        "{interval}",
        unless=r"exact|Clopper|binomial|profile|likelihood",
    ),
    Rule(
        "highest-density",
        r"\bHDIs?\b|\bHPDI?s?\b|\bhighest[- ](?:posterior[- ])?density\b|\bshortest interval\b",
        "The interval is equal-tailed: as probable below it as above it, which reads the same on d-prime, p_c and p_d.",
        "{interval}",
        deniable=True,
    ),
    Rule(
        "interval-of-people",
        r"\b\d+(?:\.\d+)? ?% of (?:all |the |our |future )*(?:tasters|people|panels|consumers|customers|drinkers|"
        r"batches|values|results)\b[^.;!?]{0,40}\b(?:between|within|inside|in the interval)\b",
        "The interval holds the true value with that probability; it does not hold a share of tasters or panels.",
        "{size}",
        deniable=True,
    ),
    Rule(
        "zero-excluded",
        r"\b(?:intervals?|limits?|bounds?)\b[^.;!?]{0,60}\b(?:exclud\w+|(?:does|do|did)(?: not|n['’]t) (?:include|"
        r"contain|cover|cross|touch|reach)|(?:is|are|lies?|stays?) (?:above|clear of)) (?:0\b|zero)|\b(?:d-?prime|"
        r"p_?d|difference|average)\b[^.;!?]{0,20}\b(?:is|lies) (?:clearly |well )?(?:above|greater than|more than|> "
        r"?)\s?(?:0(?![.\d])|zero)\b",
        "A difference that cannot be negative is always above zero, even where there is nothing to taste.",
        "{evidence}",
        unless=r"\b(?:no evidence|tells? nothing|always)\b|\bcannot come out\b",
        deniable=True,
    ),
    Rule(
        "null-accepted",
        r"\baccept(?:s|ed|ing)? (?:the |our )?null\b|\bnull (?:hypothesis )?(?:is|was) (?:accepted|confirmed|true|"
        r"supported)\b|\bsupports? the null\b",
        "A large p-value does not support the hypothesis of guessing; few answers give one too.",
        "{verdict}",
        deniable=True,
    ),
    Rule(
        "trend",
        r"\btrend(?:s|ed|ing)? towards?\b|\b(?:borderline|marginally|nearly|almost|approach\w+|close to|just "
        r"(?:short of|missed)) (?:\w+ )?(?:statistical(?:ly)? )?significan\w+",
        "It dresses up a p-value that fell on one side of a line. Give the estimate and its interval.",
        "{size}",
        deniable=True,
    ),
    Rule(
        "labels-for-people",
        r"\b(?:non-)?discriminators?\b|\bdistinguishers?\b|\bsuper-?tasters?\b|\b(?:the|our|\d+) judges?\b|\bgolden "
        r"(?:palates?|noses?)\b",
        "Answers cannot sort people into kinds: one who was correct may have guessed.",
        "{rate}",
        deniable=True,
    ),
    Rule(
        "pass-or-fail",
        r"\b(?:panels?|tasters?|products?|beers?|ciders?|breads?|coffees?|batch(?:es)?|recipes?) (?:has |have "
        r")?(?:passed|failed)\b(?! to\b)|\bpass/fail\b|\b(?:passed|failed) (?:the |a |our )(?:\w+[- ])?(?:test|"
        r"panel)s?\b",
        "A panel measures; it has no mark to pass.",
        "{verdict}",
        deniable=True,
    ),
    Rule(
        "named-direction",
        rf"\b(?:{_MORE})\b|\b(?:more|less) (?:{_TASTED})\b|\b(?:tastes?|tasted|is|was|are|were) (?:clearly |much |"
        rf"slightly |a bit )*"
        r"(?:stronger|weaker|better|worse)\b(?! than (?:chance|guess|luck))",
        "These protocols only asked which cups differ. In which way they differ, or which is the better, was not "
        "asked.",
        "{size}",
        deniable=True,
        undirected=True,
    ),
)


def marked(rule: Rule, sentence: str) -> list[re.Match[str]]:
    """Where a rule marks a sentence, excuses considered.

    Examples
    --------
    >>> rule = next(rule for rule in RULES if rule.id == "no-difference")
    >>> [match[0] for match in marked(rule, "There is no difference.")]
    ['no difference']
    >>> marked(rule, "This does not show that there is no difference.")
    []
    """
    if re.search(rule.unless, sentence, re.IGNORECASE):
        return []
    return [
        match
        for match in re.finditer(rule.pattern, sentence, re.IGNORECASE)
        if not (rule.deniable and denied(sentence, match.start()))
    ]


def denied(sentence: str, start: int) -> bool:
    """Whether what starts there is denied, or only supposed, by the words before it in its clause."""
    before = sentence[:start]
    clause = before[max((m.end() for m in re.finditer(CLAUSE, before, re.IGNORECASE)), default=0) :]
    return bool(re.search(f"{NEGATED}|{CONDITIONAL}", clause, re.IGNORECASE))
