"""Cases that once broke something, in the loop or in the observer's idea of it; kept as cases, not as seeds."""

from __future__ import annotations

from legtest.campaign.fault import Fault, Trigger
from legtest.campaign.grammar import Case, Motion

CASES = (
    # an adapter that was unplugged for long gave out old set-points when it came back
    Case(
        seed=5739,
        leg=0,
        rate_hz=250.0,
        precheck="unpowered",
        home=False,
        start=0.31889012177550885,
        faults=(
            Fault(
                kind="cable unplugged",
                trigger=Trigger(edge="enable", count=1, after_ns=75021382),
                axis=-1,
                size=0.0,
                span_ns=851494531,
            ),
            Fault(
                kind="encoder drifts",
                trigger=Trigger(edge="enable", count=1, after_ns=84849252),
                axis=0,
                size=0.5017657180208968,
                span_ns=125901653,
            ),
            Fault(
                kind="drive mute",
                trigger=Trigger(edge="motion", count=2, after_ns=332279116),
                axis=1,
                size=0.0,
                span_ns=65389783,
            ),
        ),
        motions=(
            Motion(
                shape="sine",
                seconds=0.5068834894393499,
                share=0.4371194340947855,
                way_rad=(0.31853194889431935, -0.16583810497971355, 0.0),
                cap_share=1.0,
                pause_ms=100.0,
            ),
        ),
        end="lower",
    ),
    # the same for a short time: what was taken just before is bounded
    Case(
        seed=5845,
        leg=0,
        rate_hz=250.0,
        precheck="unpowered",
        home=False,
        start=0.4270803950990475,
        faults=(
            Fault(
                kind="cable unplugged",
                trigger=Trigger(edge="motion", count=1, after_ns=106137712),
                axis=-1,
                size=0.0,
                span_ns=64210401,
            ),
        ),
        motions=(
            Motion(
                shape="touch",
                seconds=0.4364041121495399,
                share=0.21006197337015017,
                way_rad=(-0.07932490437794709, -0.2780661709933803, 0.05222962053754526),
                cap_share=1.0,
                pause_ms=30.0,
            ),
        ),
        end="close",
    ),
    # an emergency message while the drives were disarmed was overlooked
    Case(
        seed=2533,
        leg=0,
        rate_hz=200.0,
        precheck="unpowered",
        home=True,
        start=0.5987107999756947,
        faults=(
            Fault(
                kind="drive warns",
                trigger=Trigger(edge="stop", count=1, after_ns=13544591),
                axis=0,
                size=11233.8209765246,
                span_ns=0,
            ),
        ),
        motions=(
            Motion(
                shape="sine",
                seconds=0.32203400912767427,
                share=0.20832569843677723,
                way_rad=(-0.22529280612773014, 0.0, -0.3470895263716241),
                cap_share=0.6,
                pause_ms=0.0,
            ),
        ),
        end="lower",
    ),
    # a fault that came after the end of a run
    Case(
        seed=599,
        leg=0,
        rate_hz=125.0,
        precheck="whole",
        home=True,
        start=0.5078049967172041,
        faults=(),
        motions=(
            Motion(
                shape="sine",
                seconds=0.46106495566580386,
                share=0.5021230133406522,
                way_rad=(-0.29015512711647057, 0.0, 0.320454796242414),
                cap_share=1.0,
                pause_ms=100.0,
            ),
        ),
        end="lower",
    ),
    # telemetry that froze: the power goes at once although the leg moves
    Case(
        seed=250,
        leg=1,
        rate_hz=200.0,
        precheck="unpowered",
        home=False,
        start=0.5133501376012453,
        faults=(
            Fault(
                kind="encoder freezes",
                trigger=Trigger(edge="motion", count=1, after_ns=79973001),
                axis=0,
                size=0.0,
                span_ns=78541463,
            ),
        ),
        motions=(
            Motion(
                shape="sine",
                seconds=0.3847654062600693,
                share=0.640611854100964,
                way_rad=(0.28046521411736136, 0.21122034361637132),
                cap_share=0.6,
                pause_ms=0.0,
            ),
            Motion(
                shape="sine",
                seconds=0.4673237481459417,
                share=0.34453177380569927,
                way_rad=(-0.060871042126624586, 0.0),
                cap_share=0.3,
                pause_ms=0.0,
            ),
        ),
        end="stop",
    ),
    # a flooded bus: the adapter's queue empties afterwards
    Case(
        seed=212,
        leg=1,
        rate_hz=250.0,
        precheck="unpowered",
        home=False,
        start=0.38486411374169965,
        faults=(
            Fault(
                kind="wall in the way",
                trigger=Trigger(edge="motion", count=1, after_ns=229825765),
                axis=1,
                size=0.13854772419339825,
                span_ns=0,
            ),
            Fault(
                kind="bus flooded",
                trigger=Trigger(edge="enable", count=1, after_ns=47998534),
                axis=-1,
                size=0.0,
                span_ns=40920377,
            ),
            Fault(
                kind="torque beyond limit",
                trigger=Trigger(edge="motion", count=1, after_ns=216640596),
                axis=0,
                size=1.6563197308824618,
                span_ns=0,
            ),
        ),
        motions=(
            Motion(
                shape="sine",
                seconds=0.2658890356109108,
                share=0.601285978272135,
                way_rad=(0.0, 0.018797319636930765),
                cap_share=0.3,
                pause_ms=0.0,
            ),
        ),
        end="close",
    ),
    # a drive that somebody else made pre-operational obeys nothing but silence
    Case(
        seed=321,
        leg=1,
        rate_hz=200.0,
        precheck="unpowered",
        home=False,
        start=0.3917409185790775,
        faults=(
            Fault(
                kind="stranger manages",
                trigger=Trigger(edge="motion", count=1, after_ns=283851793),
                axis=1,
                size=1.65943772324841,
                span_ns=0,
            ),
            Fault(
                kind="host says no",
                trigger=Trigger(edge="stop", count=2, after_ns=273483),
                axis=-1,
                size=0.0,
                span_ns=0,
            ),
        ),
        motions=(
            Motion(
                shape="sine",
                seconds=0.4316654812634837,
                share=0.9376082781821308,
                way_rad=(0.10492053821612124, 0.026859914561024156),
                cap_share=0.3,
                pause_ms=30.0,
            ),
        ),
        end="lower",
    ),
    # heartbeats that come late when nobody is energised
    Case(
        seed=683,
        leg=1,
        rate_hz=60.0,
        precheck="unpowered",
        home=True,
        start=0.34871012220945136,
        faults=(
            Fault(
                kind="host dies",
                trigger=Trigger(edge="motion", count=1, after_ns=63228816),
                axis=-1,
                size=0.0,
                span_ns=0,
            ),
            Fault(
                kind="sending late",
                trigger=Trigger(edge="enable", count=1, after_ns=81471206),
                axis=-1,
                size=5.474175993571733,
                span_ns=32212409,
            ),
            Fault(
                kind="ignores quick stop",
                trigger=Trigger(edge="motion", count=1, after_ns=75732652),
                axis=1,
                size=0.0,
                span_ns=0,
            ),
        ),
        motions=(
            Motion(
                shape="hold",
                seconds=0.2769767997585604,
                share=0.2021989624593665,
                way_rad=(0.0, 0.0),
                cap_share=1.0,
                pause_ms=30.0,
            ),
        ),
        end="lower",
    ),
    # a motor connected the wrong way round, found in its trial
    Case(
        seed=611,
        leg=1,
        rate_hz=60.0,
        precheck="whole",
        home=False,
        start=0.6457277297609842,
        faults=(
            Fault(
                kind="encoder backwards",
                trigger=Trigger(edge="begin", count=1, after_ns=333788527),
                axis=1,
                size=0.0,
                span_ns=0,
            ),
        ),
        motions=(
            Motion(
                shape="ramp",
                seconds=0.2983089663713642,
                share=0.7833656074660381,
                way_rad=(-0.09932546391813452, 0.0),
                cap_share=0.6,
                pause_ms=100.0,
            ),
        ),
        end="lower",
    ),
    # a drive that drops out while the others are being enabled
    Case(
        seed=5614,
        leg=0,
        rate_hz=100.0,
        precheck="unpowered",
        home=False,
        start=0.542867490995667,
        faults=(
            Fault(
                kind="drive drops out",
                trigger=Trigger(edge="enable", count=1, after_ns=6277189),
                axis=2,
                size=0.0,
                span_ns=0,
            ),
        ),
        motions=(
            Motion(
                shape="touch",
                seconds=0.39021789650400784,
                share=0.7050879489453894,
                way_rad=(-0.29669357191802637, 0.0, -0.12232385963504153),
                cap_share=1.0,
                pause_ms=100.0,
            ),
            Motion(
                shape="sine",
                seconds=0.3657665626249402,
                share=0.8266659856077219,
                way_rad=(0.2907456661894102, -0.211941952238551, 0.16797603008269446),
                cap_share=0.6,
                pause_ms=0.0,
            ),
        ),
        end="stop",
    ),
    # a joint that was outside its limits when its power came on
    Case(
        seed=124,
        leg=1,
        rate_hz=250.0,
        precheck="unpowered",
        home=True,
        start=0.4454828545648148,
        faults=(
            Fault(
                kind="sends by hand",
                trigger=Trigger(edge="begin", count=2, after_ns=139324791),
                axis=-1,
                size=0.0,
                span_ns=0,
            ),
            Fault(
                kind="torque beyond limit",
                trigger=Trigger(edge="stop", count=1, after_ns=14699774),
                axis=0,
                size=2.623564240503704,
                span_ns=0,
            ),
        ),
        motions=(
            Motion(
                shape="sine",
                seconds=0.39859494483799957,
                share=0.6436492047527148,
                way_rad=(0.0, 0.0),
                cap_share=0.3,
                pause_ms=0.0,
            ),
            Motion(
                shape="hold",
                seconds=0.30982866749398524,
                share=0.17869736311200873,
                way_rad=(-0.23604755390954044, 0.0),
                cap_share=0.6,
                pause_ms=0.0,
            ),
        ),
        end="lower",
    ),
    # an adapter that fails in the middle of a cycle
    Case(
        seed=293,
        leg=1,
        rate_hz=200.0,
        precheck="unpowered",
        home=False,
        start=0.7270798028867216,
        faults=(
            Fault(
                kind="adapter breaks",
                trigger=Trigger(edge="motion", count=1, after_ns=22930800),
                axis=-1,
                size=0.0,
                span_ns=14164468,
            ),
        ),
        motions=(
            Motion(
                shape="hold",
                seconds=0.34674183409905435,
                share=0.3357503228971239,
                way_rad=(0.0, 0.0),
                cap_share=1.0,
                pause_ms=0.0,
            ),
            Motion(
                shape="sine",
                seconds=0.4547782240602447,
                share=0.30396407383584967,
                way_rad=(0.0, 0.2843687370359558),
                cap_share=0.6,
                pause_ms=0.0,
            ),
        ),
        end="stop",
    ),
    # a cable unplugged before the permit: boot-ups from before it count for nothing
    Case(
        seed=31506,
        leg=1,
        rate_hz=200.0,
        precheck="unpowered",
        home=False,
        start=0.481473161601894,
        faults=(
            Fault(
                kind="cable unplugged",
                trigger=Trigger(edge="step", count=8, after_ns=216870),
                axis=-1,
                size=0.0,
                span_ns=245922628,
            ),
        ),
        motions=(
            Motion(
                shape="ramp",
                seconds=0.5697283503849138,
                share=0.9321295911118329,
                way_rad=(0.0, 0.17587646038405058),
                cap_share=1.0,
                pause_ms=0.0,
            ),
        ),
        end="lower",
    ),
    # a blow while the drives are told their zero, without torque
    Case(
        seed=31170,
        leg=1,
        rate_hz=60.0,
        precheck="unpowered",
        home=True,
        start=0.5944509634283128,
        faults=(
            Fault(
                kind="ignores controlwords",
                trigger=Trigger(edge="enable", count=1, after_ns=32033706),
                axis=1,
                size=0.0,
                span_ns=0,
            ),
            Fault(
                kind="stranger manages",
                trigger=Trigger(edge="motion", count=1, after_ns=206960204),
                axis=1,
                size=2.691577940715049,
                span_ns=0,
            ),
            Fault(
                kind="joint struck",
                trigger=Trigger(edge="enable", count=1, after_ns=372763),
                axis=0,
                size=16.284127248383697,
                span_ns=0,
            ),
        ),
        motions=(
            Motion(
                shape="sine",
                seconds=0.38565127003914634,
                share=0.4722575234236279,
                way_rad=(0.02838818948983496, 0.1979297931856283),
                cap_share=1.0,
                pause_ms=0.0,
            ),
            Motion(
                shape="ramp",
                seconds=0.5074143500625838,
                share=0.7906735378150914,
                way_rad=(0.33626674069478957, -0.2957631507969309),
                cap_share=0.6,
                pause_ms=0.0,
            ),
        ),
        end="lower",
    ),
    # a permit that ends while power comes on
    Case(
        seed=30790,
        leg=1,
        rate_hz=60.0,
        precheck="unpowered",
        home=True,
        start=0.3533347587138457,
        faults=(
            Fault(
                kind="permit ends",
                trigger=Trigger(edge="begin", count=1, after_ns=183854553),
                axis=-1,
                size=0.0,
                span_ns=142747799,
            ),
            Fault(
                kind="test raises",
                trigger=Trigger(edge="motion", count=1, after_ns=40297367),
                axis=-1,
                size=0.0,
                span_ns=0,
            ),
        ),
        motions=(
            Motion(
                shape="ramp",
                seconds=0.5112951790347322,
                share=0.4341834954323124,
                way_rad=(-0.14725599562009717, 0.0837798002778879),
                cap_share=0.3,
                pause_ms=100.0,
            ),
        ),
        end="lower",
    ),
    # an adapter that took nothing for a moment, right behind the frames that enable: the last answers still said off
    Case(
        seed=100095,
        leg=1,
        rate_hz=125.0,
        precheck="unpowered",
        home=False,
        start=0.2723023877863251,
        faults=(
            Fault(
                kind="adapter busy",
                trigger=Trigger(edge="enable", count=1, after_ns=2822465),
                axis=-1,
                size=0.0,
                span_ns=1098357,
            ),
            Fault(
                kind="drive mute",
                trigger=Trigger(edge="enable", count=1, after_ns=8312027),
                axis=1,
                size=0.0,
                span_ns=26607711,
            ),
        ),
        motions=(
            Motion(
                shape="ramp",
                seconds=0.5461181229784258,
                share=0.40468530508840184,
                way_rad=(0.0, 0.0868028602390219),
                cap_share=1.0,
                pause_ms=100.0,
            ),
        ),
        end="close",
    ),
    # a host that dies in the stop that an error of the test has asked for
    Case(
        seed=32,
        leg=0,
        rate_hz=100.0,
        precheck="unpowered",
        home=False,
        start=0.6641080746424133,
        faults=(
            Fault(
                kind="host dies", trigger=Trigger(edge="stop", count=1, after_ns=21006417), axis=-1, size=0.0, span_ns=0
            ),
            Fault(
                kind="test raises",
                trigger=Trigger(edge="motion", count=1, after_ns=161073388),
                axis=-1,
                size=0.0,
                span_ns=0,
            ),
        ),
        motions=(
            Motion(
                shape="ramp",
                seconds=0.2595853044665992,
                share=0.9087584253473372,
                way_rad=(0.1290366014486975, -0.0906554244726469, 0.32743356228426024),
                cap_share=0.6,
                pause_ms=30.0,
            ),
            Motion(
                shape="ramp",
                seconds=0.308204561315978,
                share=0.4107461240698127,
                way_rad=(0.0, -0.19151642308066585, 0.3346989014961185),
                cap_share=0.3,
                pause_ms=0.0,
            ),
        ),
        end="lower",
    ),
    # an adapter that was busy while the stop was escalated: the NMT stop overtook the controlwords
    Case(
        seed=202949,
        leg=1,
        rate_hz=100.0,
        precheck="unpowered",
        home=False,
        start=0.3844717334755975,
        faults=(
            Fault(
                kind="stranger syncs",
                trigger=Trigger(edge="stop", count=1, after_ns=22457187),
                axis=-1,
                size=0.0,
                span_ns=0,
            ),
            Fault(
                kind="adapter busy",
                trigger=Trigger(edge="motion", count=1, after_ns=173186185),
                axis=-1,
                size=0.0,
                span_ns=83714467,
            ),
            Fault(
                kind="torque beyond limit",
                trigger=Trigger(edge="motion", count=1, after_ns=157792404),
                axis=0,
                size=1.8682475394026101,
                span_ns=0,
            ),
        ),
        motions=(
            Motion(
                shape="sine",
                seconds=0.30920430931423887,
                share=0.9303810474309103,
                way_rad=(0.0, -0.2658138324667012),
                cap_share=1.0,
                pause_ms=100.0,
            ),
        ),
        end="lower",
    ),
    # a joint struck while its reaction to lost communication was being proven
    Case(
        seed=203547,
        leg=0,
        rate_hz=200.0,
        precheck="whole",
        home=False,
        start=0.6967233179474459,
        faults=(
            Fault(
                kind="joint struck",
                trigger=Trigger(edge="enable", count=2, after_ns=91241686),
                axis=0,
                size=-7.883950783841133,
                span_ns=0,
            ),
            Fault(
                kind="telemetry flipped",
                trigger=Trigger(edge="motion", count=1, after_ns=201978208),
                axis=1,
                size=32.16236248603386,
                span_ns=15586159,
            ),
        ),
        motions=(
            Motion(
                shape="hold",
                seconds=0.3865911666102638,
                share=0.9391380915881375,
                way_rad=(-0.26830471712474685, 0.02534692944457112, 0.08375376836282122),
                cap_share=1.0,
                pause_ms=0.0,
            ),
        ),
        end="lower",
    ),
    # an enabling frame stood in the adapter's queue when its permit became void
    Case(
        seed=207731,
        leg=1,
        rate_hz=100.0,
        precheck="unpowered",
        home=False,
        start=0.43446905183434503,
        faults=(
            Fault(
                kind="permit ends",
                trigger=Trigger(edge="begin", count=2, after_ns=773623259),
                axis=-1,
                size=0.0,
                span_ns=231723426,
            ),
            Fault(
                kind="cable unplugged",
                trigger=Trigger(edge="begin", count=1, after_ns=837324364),
                axis=-1,
                size=0.0,
                span_ns=39314775,
            ),
        ),
        motions=(
            Motion(
                shape="ramp",
                seconds=0.5632164038298537,
                share=0.8668952926388473,
                way_rad=(-0.20461902842877605, 0.0),
                cap_share=0.3,
                pause_ms=30.0,
            ),
            Motion(
                shape="sine",
                seconds=0.29034168081345374,
                share=0.4356656741490419,
                way_rad=(-0.28097117591623183, 0.21912188579514924),
                cap_share=0.3,
                pause_ms=0.0,
            ),
        ),
        end="stop",
    ),
    # late answers looked like a slipping encoder to the observer
    Case(
        seed=208319,
        leg=0,
        rate_hz=125.0,
        precheck="unpowered",
        home=False,
        start=0.27507646457418417,
        faults=(
            Fault(
                kind="telemetry late",
                trigger=Trigger(edge="motion", count=1, after_ns=115317331),
                axis=0,
                size=49.4357824927019,
                span_ns=13704306,
            ),
        ),
        motions=(
            Motion(
                shape="sine",
                seconds=0.5681094780618363,
                share=0.7271485936240263,
                way_rad=(-0.34081733538847125, 0.0, 0.14746609770445518),
                cap_share=0.3,
                pause_ms=0.0,
            ),
        ),
        end="lower",
    ),
    # a heartbeat left the queue of a link that was closed already
    Case(
        seed=209610,
        leg=0,
        rate_hz=60.0,
        precheck="whole",
        home=False,
        start=0.5638781766662619,
        faults=(
            Fault(
                kind="bus flooded",
                trigger=Trigger(edge="enable", count=1, after_ns=38968914),
                axis=-1,
                size=0.0,
                span_ns=21352584,
            ),
            Fault(
                kind="sends by hand",
                trigger=Trigger(edge="motion", count=1, after_ns=221712165),
                axis=-1,
                size=0.0,
                span_ns=0,
            ),
            Fault(
                kind="adapter gone",
                trigger=Trigger(edge="enable", count=1, after_ns=52907458),
                axis=-1,
                size=0.0,
                span_ns=0,
            ),
        ),
        motions=(
            Motion(
                shape="ramp",
                seconds=0.4728323044050245,
                share=0.4918623883378451,
                way_rad=(0.2484155695392145, 0.26317742133803446, -0.23616843045857477),
                cap_share=1.0,
                pause_ms=0.0,
            ),
            Motion(
                shape="ramp",
                seconds=0.5548906115486535,
                share=0.3732178843378363,
                way_rad=(0.06145927353153935, 0.28251103088858875, 0.20286301798015083),
                cap_share=1.0,
                pause_ms=0.0,
            ),
        ),
        end="close",
    ),
    # the loop saw a stuck answer sooner than the observer allowed for
    Case(
        seed=212125,
        leg=1,
        rate_hz=200.0,
        precheck="whole",
        home=False,
        start=0.5439023477753305,
        faults=(
            Fault(
                kind="encoder freezes",
                trigger=Trigger(edge="motion", count=2, after_ns=185189322),
                axis=1,
                size=0.0,
                span_ns=133434568,
            ),
        ),
        motions=(
            Motion(
                shape="sine",
                seconds=0.34728494156390305,
                share=0.5560960974942846,
                way_rad=(-0.3044564501856221, -0.2501678501258825),
                cap_share=0.3,
                pause_ms=30.0,
            ),
            Motion(
                shape="ramp",
                seconds=0.3755106802939928,
                share=0.9101948800692394,
                way_rad=(0.0, -0.3293020431458919),
                cap_share=0.6,
                pause_ms=0.0,
            ),
        ),
        end="close",
    ),
    # set-points taken just before a pull came out after it, and before the host had given up
    Case(
        seed=217719,
        leg=0,
        rate_hz=250.0,
        precheck="unpowered",
        home=False,
        start=0.6597751233507199,
        faults=(
            Fault(
                kind="cable unplugged",
                trigger=Trigger(edge="enable", count=2, after_ns=114728283),
                axis=-1,
                size=0.0,
                span_ns=112918553,
            ),
        ),
        motions=(
            Motion(
                shape="hold",
                seconds=0.347895515522738,
                share=0.6512554776748471,
                way_rad=(0.0, -0.2024594056953689, 0.0),
                cap_share=0.3,
                pause_ms=0.0,
            ),
        ),
        end="close",
    ),
)
