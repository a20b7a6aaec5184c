//! Words of anatomy and machines in several languages, and what each part of a body hangs from.
//!
//! The words are common practice and anatomy; the joints of ISO/IEC 19774-1 (H-Anim) and VRM 1.0 are among them.

/// What a name says a joint is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Category {
    Unknown,
    Root,
    Body,
    Pelvis,
    Spine,
    Chest,
    Neck,
    Head,
    Skull,
    Jaw,
    Mouth,
    Tongue,
    Eye,
    Lid,
    Brow,
    Ear,
    Nose,
    Cheek,
    Horn,
    Hair,
    Clavicle,
    Shoulder,
    UpperArm,
    Arm,
    Elbow,
    Forearm,
    Wrist,
    Hand,
    Palm,
    Thumb,
    Index,
    Middle,
    Ring,
    Little,
    Finger,
    Hip,
    Thigh,
    Leg,
    Knee,
    Shin,
    Ankle,
    Heel,
    Foot,
    Ball,
    Toe,
    Coxa,
    Femur,
    Tibia,
    Tarsus,
    Tail,
    Wing,
    Feather,
    Fin,
    Feeler,
    Tentacle,
    Belly,
    Breast,
    Buttock,
    Shell,
    Cloth,
    Weapon,
    Wheel,
    Link,
    Gripper,
    Sensor,
    Branch,
}

impl Category {
    /// Its number, for features.
    pub(super) fn code(self) -> f32 {
        f32::from(self as u8)
    }

    /// Its name in words.
    pub(super) fn word(self) -> String {
        let mut out = String::new();
        for letter in format!("{self:?}").chars() {
            if letter.is_uppercase() && !out.is_empty() {
                out.push(' ');
            }
            out.extend(letter.to_lowercase());
        }
        let vowel = out.starts_with(['a', 'e', 'i', 'o', 'u']);
        format!("{} {out}", if vowel { "an" } else { "a" })
    }

    /// How far from the root it lies in a typical body.
    pub(super) fn depth(self) -> Option<f32> {
        use Category as C;
        Some(match self {
            C::Unknown | C::Link | C::Branch => return None,
            C::Root => 0.0,
            C::Body => 1.0,
            C::Pelvis => 2.0,
            C::Spine | C::Shell | C::Belly | C::Buttock | C::Cloth => 3.0,
            C::Hip | C::Coxa | C::Tail | C::Wheel => 3.5,
            C::Chest | C::Thigh | C::Leg | C::Femur => 4.0,
            C::Neck | C::Clavicle | C::Breast | C::Wing | C::Fin => 5.0,
            C::Shoulder | C::Knee | C::Shin | C::Tibia => 5.5,
            C::Head | C::Arm | C::UpperArm | C::Feather | C::Tentacle => 6.0,
            C::Elbow | C::Forearm | C::Skull | C::Ankle | C::Sensor => 7.0,
            C::Jaw | C::Eye | C::Brow | C::Ear | C::Nose | C::Cheek | C::Horn | C::Hair => 7.5,
            C::Foot | C::Tarsus | C::Mouth | C::Feeler => 8.0,
            C::Heel | C::Ball | C::Wrist | C::Tongue | C::Lid | C::Weapon => 8.5,
            C::Hand | C::Toe | C::Gripper => 9.0,
            C::Palm => 9.5,
            C::Thumb | C::Index | C::Middle | C::Ring | C::Little | C::Finger => 10.0,
        })
    }
}

/// Categories that a joint of this one may hang from, the nearest first.
pub(super) fn expected(category: Category) -> &'static [Category] {
    use Category as C;
    match category {
        C::Unknown | C::Root | C::Link | C::Branch => &[],
        C::Body => &[C::Root],
        C::Pelvis => &[C::Body, C::Root],
        C::Spine => &[C::Pelvis, C::Body, C::Root],
        C::Chest => &[C::Spine, C::Pelvis, C::Body, C::Root],
        C::Neck => &[C::Chest, C::Spine, C::Body, C::Pelvis, C::Root],
        C::Head => &[C::Neck, C::Chest, C::Spine, C::Body, C::Pelvis, C::Root],
        C::Skull => &[C::Head, C::Neck, C::Chest, C::Spine, C::Body],
        C::Jaw | C::Eye | C::Ear | C::Horn | C::Hair | C::Cheek | C::Nose | C::Brow => {
            &[C::Head, C::Skull, C::Neck, C::Chest, C::Spine, C::Body, C::Root]
        }
        C::Mouth => &[C::Jaw, C::Head, C::Skull, C::Neck, C::Body, C::Root],
        C::Lid => &[C::Head, C::Eye, C::Skull, C::Body, C::Root],
        C::Tongue => &[C::Jaw, C::Mouth, C::Head, C::Skull, C::Neck],
        C::Feeler => &[C::Head, C::Nose, C::Skull, C::Neck, C::Chest, C::Body, C::Root],
        C::Clavicle => &[C::Chest, C::Spine, C::Body, C::Neck, C::Pelvis, C::Root],
        C::Shoulder => &[C::Clavicle, C::Chest, C::Spine, C::Body, C::Pelvis, C::Root],
        C::UpperArm => &[C::Shoulder, C::Clavicle, C::Chest, C::Spine, C::Body, C::Pelvis, C::Root],
        C::Arm => &[C::UpperArm, C::Shoulder, C::Clavicle, C::Chest, C::Spine, C::Body, C::Pelvis, C::Root],
        C::Elbow => &[C::UpperArm, C::Arm, C::Shoulder, C::Clavicle, C::Chest, C::Body],
        C::Forearm => &[C::Elbow, C::UpperArm, C::Arm, C::Shoulder, C::Clavicle, C::Chest, C::Body],
        C::Wrist => &[C::Forearm, C::Elbow, C::Arm, C::UpperArm, C::Shoulder],
        C::Hand | C::Gripper => &[
            C::Wrist,
            C::Forearm,
            C::Elbow,
            C::Arm,
            C::UpperArm,
            C::Shoulder,
            C::Clavicle,
            C::Chest,
            C::Body,
        ],
        C::Palm => &[C::Hand, C::Wrist, C::Forearm, C::Elbow, C::Arm],
        C::Thumb | C::Index | C::Middle | C::Ring | C::Little | C::Finger => &[
            C::Palm,
            C::Hand,
            C::Gripper,
            C::Wrist,
            C::Forearm,
            C::Elbow,
            C::Arm,
            C::Foot,
            C::Wing,
            C::UpperArm,
        ],
        C::Hip => &[C::Pelvis, C::Body, C::Spine, C::Root],
        C::Thigh => &[C::Hip, C::Pelvis, C::Body, C::Spine, C::Chest, C::Root],
        C::Leg => &[C::Thigh, C::Hip, C::Pelvis, C::Body, C::Chest, C::Spine, C::Root],
        C::Knee => &[C::Thigh, C::Leg, C::Hip, C::Pelvis],
        C::Shin => &[C::Knee, C::Thigh, C::Leg, C::Hip, C::Pelvis],
        C::Ankle => &[C::Shin, C::Knee, C::Leg, C::Thigh, C::Hip],
        C::Foot => {
            &[C::Ankle, C::Shin, C::Knee, C::Tarsus, C::Tibia, C::Leg, C::Thigh, C::Hip, C::Body, C::Root]
        }
        C::Heel => &[C::Foot, C::Ankle, C::Shin, C::Knee, C::Leg],
        C::Ball => &[C::Foot, C::Ankle, C::Heel, C::Shin, C::Knee, C::Leg],
        C::Toe => &[C::Ball, C::Foot, C::Ankle, C::Heel, C::Hand, C::Shin, C::Knee, C::Leg],
        C::Coxa => &[C::Chest, C::Body, C::Pelvis, C::Spine, C::Root],
        C::Femur => &[C::Coxa, C::Hip, C::Pelvis, C::Chest, C::Body, C::Spine, C::Root],
        C::Tibia => &[C::Femur, C::Knee, C::Thigh, C::Leg, C::Coxa],
        C::Tarsus => &[C::Tarsus, C::Tibia, C::Ankle, C::Shin, C::Femur, C::Leg],
        C::Tail => &[C::Pelvis, C::Spine, C::Body, C::Root, C::Chest],
        C::Wing => &[C::Shoulder, C::Clavicle, C::Chest, C::Spine, C::Body, C::Root],
        C::Feather => &[C::Hand, C::Forearm, C::Wing, C::Arm, C::Tail, C::UpperArm],
        C::Fin => &[C::Chest, C::Spine, C::Body, C::Tail, C::Pelvis, C::Root],
        C::Tentacle => &[C::Head, C::Body, C::Spine, C::Pelvis, C::Root],
        C::Belly => &[C::Spine, C::Pelvis, C::Body, C::Chest, C::Root],
        C::Breast => &[C::Chest, C::Spine, C::Body, C::Root],
        C::Buttock => &[C::Pelvis, C::Spine, C::Body, C::Root],
        C::Shell => &[C::Spine, C::Chest, C::Body, C::Pelvis, C::Root],
        C::Cloth => &[C::Pelvis, C::Chest, C::Spine, C::Neck, C::Head, C::Body, C::Root],
        C::Weapon => &[
            C::Hand,
            C::Gripper,
            C::Wrist,
            C::Forearm,
            C::Elbow,
            C::Chest,
            C::Spine,
            C::Pelvis,
            C::Body,
            C::Root,
        ],
        C::Wheel => &[C::Foot, C::Shin, C::Leg, C::Body, C::Root],
        C::Sensor => &[C::Head, C::Body, C::Chest, C::Hand, C::Root],
    }
}

/// What one word adds to the reading of a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sense {
    /// A thing.
    Is(Category),
    /// Nearer the root of its limb.
    Upper,
    /// Farther from it.
    Lower,
    /// A place in a row: proximal, middle, distal, tip.
    Place(u32),
    /// It moves other joints.
    Control,
    /// It turns with or corrects another.
    Helper,
    /// The end of a chain.
    End,
    /// Left, right, or in the middle.
    Side(i8),
    /// Front or hind (middle: 2).
    Row(u8),
    /// A region of the back, counted from its lowest vertebra: number of the first, count, numbered downwards.
    Vertebra(u32, u32),
    /// Says nothing: joint, bone, a program's habit.
    Noise,
}

use Category as C;
use Sense::{Control, End, Helper, Is, Lower, Noise, Place, Row, Side, Upper, Vertebra};

/// Words by sense. Lower case; accents are folded before they are looked up.
pub(super) const WORDS: &[(Sense, &str)] = &[
    (
        Is(C::Root),
        "root origin world master global main humanoid trajectory motion wurzel racine raiz radice reference move cog com fullbody freejoint",
    ),
    (
        Is(C::Body),
        "body base torso trunk rumpf cuerpo corps corpo tronco torse koerper koper tors rump hull chassis base_link center centre centro center mitte fuselage frame core main_body cephalothorax prosoma platform carriage mass",
    ),
    (
        Is(C::Pelvis),
        "pelvis pelvic hips becken bassin cadera caderas bacino quadril waist sacrum sacral sacroiliac hipbone sacro crotch groin huefte taille cintura pelvico",
    ),
    (
        Is(C::Spine),
        "spine spinal back backbone vertebra vertebrae abdomen abdominal abdo wirbel wirbelsaeule colonne columna coluna espina colonna dos espalda espina ruecken ruggine rachis torsolower midsection stomachspine lowerback spn ribcagelower metasoma opisthosoma",
    ),
    (
        Is(C::Chest),
        "chest thorax thoracic rib ribs ribcage upperchest upperback brust poitrine pecho petto peito torax sternum withers mesothorax prothorax metathorax breastbone thorx uppertorso bust ches cst",
    ),
    (Is(C::Neck), "neck hals cou cuello collo pescoco cervix nek nck nuque nacken throat"),
    (
        Is(C::Head),
        "head kopf tete cabeza testa cabeca hoofd hd hed cranial cephalic glowa hlava fej caput face gesicht visage cara faccia rosto gaze",
    ),
    (Is(C::Skull), "skull cranium skullbase upperhead headtop scalp schaedel crane craneo headupper"),
    (
        Is(C::Jaw),
        "jaw mandible mandibles kiefer machoire mandibula mascella chin temporomandibular beak bill unterkiefer chelicera chelicerae maxilla schnabel bec pico becco jw lowerjaw upperjaw menton fang fangs palp pedipalp",
    ),
    (
        Is(C::Mouth),
        "mouth lip lips teeth tooth mund lippe bouche boca bocca levre labio gum gums dent zahn corner muzzlelip",
    ),
    (Is(C::Tongue), "tongue zunge langue lengua lingua tng tonge"),
    (
        Is(C::Eye),
        "eye eyes eyeball auge augen oeil yeux ojo occhio olho pupil iris eyestalk eyeballs oog oko",
    ),
    (Is(C::Lid), "eyelid lid eyelids lidup blink eyelash paupiere lider parpado"),
    (Is(C::Brow), "brow eyebrow eyebrows forehead stirn sourcil ceja augenbraue frown brows"),
    (Is(C::Ear), "ear ears ohr ohren oreille oreja orecchio orelha oor ucho pinna"),
    (
        Is(C::Nose),
        "nose snout muzzle nostril nostrils nase nez nariz naso proboscis trunktip schnauze museau hocico neb rostrum sniff",
    ),
    (Is(C::Cheek), "cheek cheeks wange joue mejilla guancia squint jowl"),
    (Is(C::Horn), "horn horns antler antlers cuerno corno corne crest comb wattle geweih tusk tusks ivory"),
    (
        Is(C::Hair),
        "hair haar cheveux pelo cabello capelli cabelo ponytail pigtail bangs braid fringe mane beard moustache mustache bart crin lock strand hat cap helmet hood topknot bun whisker whiskers sideburn",
    ),
    (
        Is(C::Clavicle),
        "clavicle collar collarbone clav clavicula claviculae scapula shoulderblade scap clavicola schluesselbein clavicule sternoclavicular acromioclavicular omoplate schulterblatt clavical",
    ),
    (
        Is(C::Shoulder),
        "shoulder shoulders shldr schulter epaule hombro spalla ombro shoulderjoint sholder sho pauldron glenohumeral shld deltoid axilla armpit",
    ),
    (
        Is(C::UpperArm),
        "upperarm uparm humerus oberarm uarm armupper bicep biceps brachium upparm humeral rupperarm upperwing",
    ),
    (Is(C::Arm), "arm arms brazo braccio bras braco ramie arme limbarm"),
    (Is(C::Elbow), "elbow ellbogen coude codo gomito cotovelo elb elbw ellenbogen"),
    (
        Is(C::Forearm),
        "forearm lowerarm unterarm avantbras antebrazo avambraccio antebraco loarm lowarm radius ulna farm armlower lwrarm lowarm forarm",
    ),
    (
        Is(C::Wrist),
        "wrist handgelenk poignet muneca polso pulso radiocarpal carpus carpal midcarpal wrst ulnocarpal",
    ),
    (
        Is(C::Hand),
        "hand hands main_hand mano mao hnd haende paw pfote patte pata zampa forepaw frontpaw manus flipperhand claw pincer chela klaue",
    ),
    (
        Is(C::Palm),
        "palm metacarpal metacarpals carpometacarpal handflaeche paume palma metacarp metacarpus knucklebase cupping",
    ),
    (Is(C::Thumb), "thumb daumen pouce pulgar pollice polegar thmb thb pollex"),
    (Is(C::Index), "index zeigefinger indice indexfinger forefinger pointer idx"),
    (Is(C::Middle), "middlefinger mittelfinger majeur medio midfinger longfinger"),
    (Is(C::Ring), "ring ringfinger annulaire anular anulare rng anelar"),
    (Is(C::Little), "pinky little pinkie littlefinger kleinerfinger auriculaire menique mignolo pnky minimo"),
    (
        Is(C::Finger),
        "finger fingers fing doigt dedo dito fngr digit digits phalanx phalange phalanges knuckle talonfinger fgr metacarpophalangeal interphalangeal",
    ),
    (Is(C::Hip), "hip huft hanche cadera anca hipjoint legroot pelvisleg"),
    (
        Is(C::Thigh),
        "thigh upperleg upleg oberschenkel cuisse muslo coscia coxa_leg femoral uleg legupper thi upperlegs rupperleg haunch hindquarter",
    ),
    (
        Is(C::Leg),
        "leg legs bein beine jambe pierna gamba perna noga limb been foreleg hindleg frontleg backleg rearleg lg",
    ),
    (Is(C::Knee), "knee knie genou rodilla ginocchio joelho stifle kneecap patella"),
    (
        Is(C::Shin),
        "shin calf lowerleg lowleg unterschenkel tibiashin mollet pantorrilla polpaccio crus fibula calve lleg leglower shank lwrleg hock cannon midleg canela",
    ),
    (
        Is(C::Ankle),
        "ankle knoechel cheville tobillo caviglia tornozelo talocrural talus fetlock pastern ank anckle gaskin",
    ),
    (Is(C::Heel), "heel ferse talon tacco calcaneus calcn subtalar talocalcaneonavicular"),
    (
        Is(C::Foot),
        "foot feet fuss pied pie piede pe voet hoof hooves hindpaw footpaw ft huf sabot sole stopa backfoot frontfoot",
    ),
    (
        Is(C::Ball),
        "ball toebase metatarsal metatarsus tarsal midfoot mtp cuneonavicular tarsometatarsal transversetarsal calcaneocuboid forefoot instep",
    ),
    (
        Is(C::Toe),
        "toe toes zeh zehe zehen orteil dito_piede toetip toebig tow metatarsophalangeal hallux nail",
    ),
    (Is(C::Coxa), "coxa trochanter coxae"),
    (Is(C::Femur), "femur femora"),
    (Is(C::Tibia), "tibia patellatibia"),
    (Is(C::Tarsus), "tarsus tarsi pretarsus"),
    (
        Is(C::Tail),
        "tail schwanz queue cola coda cauda caudal staart tailbase tailfeather rabo tailbone hinterleib stinger telson sting tl ogon fluke flukes",
    ),
    (
        Is(C::Wing),
        "wing wings fluegel flugel aile ala asa wng wingroot elytra haltere patagium skrzydlo vleugel membrane",
    ),
    (Is(C::Feather), "feather feathers feder plume pluma piuma primaries secondaries"),
    (
        Is(C::Fin),
        "fin fins flosse nageoire aleta pinna_fin dorsal pectoral ventral flipper sidefin backfin barbatana anal gill gills pelvicfin",
    ),
    (
        Is(C::Feeler),
        "antenna antennae antenne feeler fuehler antena antenna_l barbel barbels lure esca illicium stalk lurestalk elephanttrunk",
    ),
    (Is(C::Tentacle), "tentacle tentacles tentakel tentacule tentaculo siphon tentacolo"),
    (Is(C::Belly), "belly bauch ventre barriga pancia stomach gut tummy navel vientre"),
    (Is(C::Breast), "breast breasts boob sein busen seno pec pecs pectoralis udder bosom"),
    (Is(C::Buttock), "butt buttock glute gluteus buttocks booty rear_end bum cheekbutt"),
    (
        Is(C::Shell),
        "shell carapace panzer saddle armor armour plate hump backpack rucksack rucksaddle plates",
    ),
    (
        Is(C::Cloth),
        "skirt cape cloak dress cloth coat robe scarf sleeve belt tie tasche kleid jacket flap ribbon tassel rein strap apron kilt umhang tunic bag purse pocket shirt pants skirts chain",
    ),
    (
        Is(C::Weapon),
        "weapon sword gun prop shield item staff waffe bow axe hammer rifle knife lantern tool attach socket holster grip handslot arma arme_tool spear lance dagger quiver arrow mount slot hold muzzleflash barrel blade",
    ),
    (
        Is(C::Wheel),
        "wheel rad roue rueda ruota tire tyre caster propeller rotor propellor track thruster jet nozzle",
    ),
    (
        Is(C::Link),
        "link motor servo actuator segment arm_link piston hydraulic cylinder rod hinge axis shaft cable hose",
    ),
    (Is(C::Gripper), "gripper finger_gripper endeffector tcp flange tool0 greifer ee eef pinch"),
    (
        Is(C::Sensor),
        "sensor camera cam lidar imu optical laser sonar touch bumper light speaker microphone infrared tactile led depth radar",
    ),
    (
        Is(C::Branch),
        "branch twig stem trunk_tree ast zweig blatt petal stengel flower leaf leaves tree rose vine frond",
    ),
    (Upper, "upper up up_ upr ober sup superior uppr"),
    (Lower, "lower low lo lwr unter inf inferior fore lowr lo_"),
    (Place(0), "meta base proxbase"),
    (Place(1), "proximal prox first one"),
    (Place(2), "intermediate inter mid middle second two med medial intermed"),
    (Place(3), "distal dist third three dis"),
    (Place(4), "tip fourth four terminal"),
    (
        Control,
        "ik ctrl control controller ctl target pole goal handle effector locator aim lookat driver switch fk poletarget iktarget ikpole hint follow snap mch ctr cntrl ikhandle manip ziel steuerung goal gp ikhand ikfoot lookattarget",
    ),
    (
        Helper,
        "twist roll helper corrective fix aux extra adj correct volume bend muscle fatpad pivot stretch support brace jiggle offset cor trans sub rolling",
    ),
    (End, "end nub site leafend tipend endsite ende fin_end"),
    (
        Side(1),
        "left l lft links gauche izquierda izq sinistra sx esquerda esq gch lf_ levy lewa izquierdo esquerdo sinistro",
    ),
    (
        Side(-1),
        "right r rgt rt rechts droite derecha der destra dx direita dir drt prava prawa derecho direito destro",
    ),
    (Side(0), "c m ctr_ mid_"),
    (Row(1), "front vorder vorne avant delantera delantero anteriore anterior fr_ frnt dianteira fore_ f"),
    (Row(2), "hind rear hinten hinter arriere trasera trasero posteriore posterior bk_ traseira b"),
    (Vertebra(0, 5), "lumbar lumbo vl"),
    (Vertebra(5, 12), "vt"),
    (Vertebra(17, 7), "cervical vc"),
    (
        Noise,
        "joint joints bone bones jnt jnts bn bip biped def deform skin skel skeleton rig armature node the of and bnd bind geo mesh obj object env jt j sk grp group new copy lores hires res drv drive dummy part ujnt org bon gelenk knochen os hueso osso articulation npc yaw pitch frame_ contour sim phys base_joint ext",
    ),
];

/// Words in scripts without spaces (Japanese, Chinese, Korean), and Cyrillic ones: what they mean in ours.
pub(super) const SCRIPTS: &[(&str, &str)] = &[
    ("上半身", " spine "),
    ("下半身", " pelvis "),
    ("センター", " root center "),
    ("グルーブ", " body "),
    ("全ての親", " root "),
    ("親指", " thumb "),
    ("人指", " index "),
    ("人差指", " index "),
    ("中指", " middlefinger "),
    ("薬指", " ring "),
    ("小指", " pinky "),
    ("つま先", " toe "),
    ("爪先", " toe "),
    ("足首", " ankle "),
    ("手首", " wrist "),
    ("ひざ", " knee "),
    ("膝", " knee "),
    ("ひじ", " elbow "),
    ("肘", " elbow "),
    ("肩", " shoulder "),
    ("腕", " arm "),
    ("首", " neck "),
    ("頭", " head "),
    ("头", " head "),
    ("目", " eye "),
    ("眼", " eye "),
    ("足", " leg "),
    ("腿", " thigh "),
    ("手", " hand "),
    ("指", " finger "),
    ("腰", " pelvis "),
    ("胸", " chest "),
    ("背", " spine "),
    ("脊", " spine "),
    ("尾", " tail "),
    ("翼", " wing "),
    ("羽", " wing "),
    ("耳", " ear "),
    ("口", " mouth "),
    ("舌", " tongue "),
    ("髪", " hair "),
    ("顎", " jaw "),
    ("左", " left "),
    ("右", " right "),
    ("先", " end "),
    ("根", " root "),
    ("머리", " head "),
    ("목", " neck "),
    ("팔", " arm "),
    ("다리", " leg "),
    ("손", " hand "),
    ("발", " foot "),
    ("허리", " pelvis "),
    ("꼬리", " tail "),
    ("왼쪽", " left "),
    ("오른쪽", " right "),
    ("가슴", " chest "),
    ("척추", " spine "),
    ("어깨", " shoulder "),
    ("голова", " head "),
    ("шея", " neck "),
    ("рука", " arm "),
    ("нога", " leg "),
    ("кисть", " hand "),
    ("стопа", " foot "),
    ("таз", " pelvis "),
    ("хвост", " tail "),
    ("левая", " left "),
    ("правая", " right "),
    ("левый", " left "),
    ("правый", " right "),
    ("позвоночник", " spine "),
    ("грудь", " chest "),
    ("плечо", " upperarm "),
    ("предплечье", " forearm "),
    ("палец", " finger "),
    ("крыло", " wing "),
    ("бедро", " thigh "),
    ("голень", " shin "),
    ("глаз", " eye "),
    ("ухо", " ear "),
    ("челюсть", " jaw "),
];
