"""Plain words: those that riders speak of a pad, a wedge, a shoe and a cleat in.

What a rider says in other words than these is not read, and no step follows from it: a new
word may be a picture of pain. Words of danger stand in :mod:`insole.trials.red_flags`.
"""

from __future__ import annotations

__all__ = ["is_comfort", "is_plain"]

_WORDS = frozenset(
    """
    a about above after ago ahead all also am an and any anything anywhere are around as at away
    back be because before behind being below beneath beside best better between big bit both but
    by can could day days did do does done down during each early easier easily easiest easy either
    else end enough even evenly ever every everything everywhere far feel feeling feels felt few
    fine first five for forward forwards four free from front further get gets getting go goes
    going gone good got great had half has have having he heaps height her high higher highest him
    hint his hour hours how i if in indoors inside into inward inwards is issue issues it its just
    keep kind km last least left less let level lift lifted lifting lifts light like liked likes
    little long longer lot lots love lovely low lower lowest made main make makes many may maybe me
    mean middle millimetre millimetres millimeter mine minute minutes mm more most mostly move
    moved movement moves moving much my myself near neither never new nice night no none nor normal
    not notch nothing notice noticeable noticed noticing now of often ok okay old on once one only
    onto or other our out outdoors outside outward outwards over own part perfect place places
    point points position prefer preferred put quite rather really rear reckon report right same
    say says sense set settled she should side sides since sit sits sitting six slightly small so
    some somewhat somewhere spot spots standing stay stayed stays steady still straight strange
    such sure take tell ten than that the their them there these they thing things think this those
    though thought three through time times tiny to today together too took top touch touched
    touches touching toward towards try tried two under up upwards us use used usual very walk want
    wanted wanting wants was way we week weeks well went were what when where which while whole why
    wide wider will with without work worked working works worse would yes yet you zero
    arch arches ball balls base bed big bike bikes box buckle buckles bump bumps cleat cleats climb
    climbs climbing clipped closure collapse collapses comfortable comfortably comfy contact cover
    crank cup cushion cushioned dial difference different digging digs disappear disappeared edge
    edges empty fill filled firm firmer fit fits fitted flat flatter flex foot feet footbed forefoot
    forgot gap grip hard harder heel heels held hold holds hollow inner insole insoles instep knee
    knees lace laces lateral lump lumpy lumps medial narrow narrower outer pad padded padding pads
    pedal pedalling pedals pedalled place placed plan planted play position power press pressed
    presses pressing pressure push pushed pushes pushing ramp ride rider rides riding ridge ridges
    rode road room roomier roomy rub rubbed rubbing rubs seat sharper shim shoe shoes slope snug
    snugger soft softer sole soles solid sprint sprints stand stands steep step steps stiff stiffer
    strap straps support supported supporting supports supportive tall taller test thick thicker
    thin thinner tight tighter tilt tilted tilts toe toebox toes tongue track tracks train training
    trainer unclip unclipped unstable stable wedge wedges weight width wobble wobbles wobbly
    balanced brilliant clumsy collapsing concentrated even excellent fantastic favourite fresh happy
    improved improvement intrusive just neutral obvious okay pleasant squeaks squeaky squeeze
    squeezed squeezes super supple symmetrical uneven warm warmer weird cold cool dry wet rain
    rained painted painless pebble stone marble golf turning turn turned turns twisted release
    tension tiptoes cramped pops carry carries loaded loads sink sinks bottom bottoms pistons come
    comes coming lines lined lining please tad whisker proud shade elbow early strong stronger
    strongly weak weaker gentle gentler subtle subtler prominent overdone
    leave smidge honest honestly taste present short shorter quiet saddle mirror hill home legs
    """.split()
)
# words that say that all is well, or nothing at all: a part of nothing else asks for nothing
_COMFORT = frozenset(
    """
    a about after again all also always am an and any anything are arch arches as at ball be bed
    been before best better bike both brilliant but by change changes comfortable comfortably comfy
    day days did difference different do does each easy else even evenly every everything excellent
    fantastic far feel feeling feels feet felt few fine first fit fits foot footbed for forgot fresh
    get going good got great had half happy has have having he heel heels her him his hour
    hours how i if in indoors insole is it its just keep kept km knee knees last leave left
    level lot lots love loved lovely main may me much my neutral new nice night no none normal not
    nothing notice noticed now of off often ok okay old on once one only or other otherwise our out
    pad pads pedal perfect perfectly planted pleasant pretty quite really report rest ride rider
    rides riding right road rode same say sense settled she shoe shoes side sides sit sits so solid
    spot stable stay stayed stays steady still straight super support supported sure tell than that
    the their them then there they thing things think this time times to today together track
    tracks train trainer training two under use used usual very was we week weeks well went were
    what when with without work worked works worse worst year years yes yet you
    """.split()
)


def is_plain(word: str) -> bool:
    """Return whether a lower-case word, or what it is an ending of, is a plain one."""
    return word in _WORDS or len(word) == 1


def is_comfort(word: str) -> bool:
    """Return whether a lower-case word asks for nothing by itself."""
    return word in _COMFORT or len(word) == 1
