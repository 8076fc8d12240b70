// El montaje con otras monturas que las alemanas, y bajo un polo bajo; parte de es.js.

/** @type {typeof import("./en-mounts.js").mounts} */
export const mounts = {
  ask: "Tipo de montura",
  names: { german: "ecuatorial alemana, con contrapeso", fork: "horquilla sobre cuña", tracker: "seguidor sobre rótula" },
  low: (alt) => `El polo está bajo, a ${alt}, y no hace falta verlo: gire el tubo en declinación hasta que mire alto, a 35° o más, fíjelo y déjelo.`,
  starLow: (alt) => `Ahora está a solo ${alt} sobre el horizonte: bruma, árboles o colinas pueden taparla.`, starDown: "Ahora está bajo el horizonte.",
  fork: {
    balance: {
      head: "Equilibrio: declinación, luego AR",
      order: ["Todo puesto como en uso. Aquí no hay barra: los pesos van a lo largo o al lado del tubo. Tubo horizontal, luego vertical; después la horquilla de lado."],
      hold: "Sujete el tubo con un freno abierto: cae en el acto entre los brazos.",
    },
    start: {
      head: "Horquilla hacia el polo",
      lines: (wedge) => [`La placa de la cuña se inclina ${wedge} hacia el polo. Los dos tornillos a mitad de recorrido.`, "Una horquilla no necesita cambio de lado. Vale cualquier cielo abierto: gire el tubo en declinación, fíjelo y déjelo."],
      watch: "Entre dos personas suban la horquilla a la cuña; una la sujeta hasta apretar cada tornillo. Luego gire ambos ejes a mano, despacio, y mire: la cámara puede tocar la base, y los dedos los brazos.",
      arms: "horquilla", drawn: (alt, south) => `La montura de lado: la horquilla sobre su cuña sube ${alt} hacia el polo ${south ? "sur" : "norte"}, el tubo entre sus brazos.`,
    },
  },
  tracker: {
    balance: { head: "Equilibrio: la cámara sobre el eje", order: ["Gire la rótula para que el centro de la cámara quede cerca del eje. No pase de la carga que permite el fabricante."], hold: "Sujete la cámara antes de abrir un freno o la rótula: cae en el acto." },
    start: {
      head: "El eje del motor hacia el polo",
      lines: () => ["Con su escala o el nivel de un teléfono. La carga sobre el trípode, no al lado.", "Vale cualquier cielo abierto: apunte con la rótula y no la toque más; entre imágenes gire el motor.", "Sin dos tornillos, elíjalo en la página: muestra qué estrella poner en qué sitio de la imagen."],
      watch: "Sujete la cámara antes de aflojar la rótula. El viento y una mano en la correa mueven un equipo tan ligero: dispare con retardo.",
      arms: "motor", drawn: (alt, south) => `De lado: el eje del motor sube ${alt} hacia el polo ${south ? "sur" : "norte"}, la cámara sobre la rótula.`,
    },
  },
  steps: {
    between: (a) => `Dos patas hacia el ${a.south ? "sur" : "norte"} y una al lado contrario, para que la barra del contrapeso pase entre ellas: tan cerca del ecuador cuelga donde estaría una pata hacia el polo. Una extensión de columna, o más peso en una barra más corta, da sitio. Si el manual del fabricante dice otra cosa, sígalo.`,
    load: (a) => `Una pata hacia el ${a.south ? "sur" : "norte"}, las otras por igual a los lados: la carga se inclina hacia ese lado. Si el manual del fabricante dice otra cosa, sígalo.`,
    scale: (a) => `Ponga la escala de latitud en ${a.scale}, si puede antes de colocar la carga.`,
    hinges: "La bisagra de muchas monturas acaba en 15 o 20 grados (uso común): mírelo en el manual antes de salir. Si no llega, pida al fabricante una cuña o una placa. No quite ningún tope ni incline el trípode: vuelca.",
    keys: "Sin frenos, gire entre imágenes con las teclas de dirección de ascensión recta: un apuntado por coordenadas gira también la declinación.",
    balance: {
      fork: (asUsed, east) => ["Sujete el tubo con una mano siempre que suelte un freno: cae en el acto entre los brazos.", asUsed,
        "Primero la declinación: no hay barra por la que correr un peso, así que los pesos van debajo o a lo largo del tubo, en el carril del fabricante. Freno de AR apretado, tubo horizontal. Suelte un poco el freno de declinación sujetando el tubo. Baja el lado de la cámara: peso hacia el cielo, y al revés.",
        "También con el tubo recto hacia arriba: si cae a un lado, hay algo por encima o por debajo de su centro. Ponga otro tanto enfrente.",
        "Luego la ascensión recta: gire la horquilla hasta que un brazo quede sobre el otro, sujétela, suelte un poco el freno de AR. Si baja un lado: lo que va al lado del tubo pide otro tanto al otro.",
        "Está bien cuando cada eje, con el freno suelto, se queda donde se deja en varias posiciones.", east],
      tracker: (asUsed) => ["Sujete la cámara con una mano siempre que la rótula o el freno estén abiertos: cae en el acto.", asUsed,
        "Gire la rótula para que el centro de la cámara quede cerca del eje del motor, y objetivo y cuerpo igualados a ambos lados de su mordaza.",
        "Un objetivo pesado pide una barra con peso al través del eje, si el fabricante la tiene. Con el freno algo suelto y la cámara sujeta, corra el peso hasta que todo se quede donde se deja.",
        "Si el motor no tiene freno, quédese muy por debajo de la carga que permite el fabricante."],
    },
    start: {
      fork: (a, sky, keys) => [`La bisagra de la cuña horizontal, su placa inclinada hacia el ${a.south ? "sur" : "norte"}: ${a.wedge} desde la horizontal, es decir 90 menos la latitud. Así el eje de la horquilla queda a ${a.scale}.`,
        "Coloquen la horquilla en la cuña entre dos y aprieten cada tornillo antes de soltar: sin sujetar, vuelca. Muchas cuñas sobresalen del trípode: una pata bajo la carga.",
        "Gire ambos ejes a mano, despacio: cerca del polo la cámara puede tocar la base de la horquilla. Quédese donde pasa libre y fije la declinación.",
        "Una horquilla no necesita cambio de lado. Gírela a ambos lados del meridiano y vuelva.", sky, keys,
        "Una cuña con holgura se mueve al apretar: apriete y mida otra vez."],
      tracker: (a, keys) => [`El eje del motor hacia el ${a.south ? "sur" : "norte"} verdadero, a ${a.scale} sobre el horizonte, con su escala o el nivel de un teléfono.`,
        "Sujete la cámara antes de aflojar la rótula: cae en el acto. No más carga que la que permite el fabricante, y sobre el trípode, no al lado.",
        "Entre imágenes gire el plato del motor, o por su freno, y deje la rótula de arriba: lleva la cámara y debe moverse con el eje como una pieza.",
        "Vale cualquier trozo de cielo libre: apunte con la rótula, a 35° de altura o más, y déjela así.",
        "Donde no haya dos tornillos, elíjalo en la página: muestra qué estrella poner en qué sitio de la imagen, con lo que sea que mueva el equipo.",
        "El viento y una mano en la correa mueven un equipo tan ligero: dispare cada imagen con retardo o a distancia.", keys],
    },
    forkLow: (a) => `Tan cerca del ecuador la horquilla queda casi tumbada, y tubo y brazos cuelgan lejos hacia el ${a.south ? "sur" : "norte"}: una columna, o un trípode bien abierto con una pata debajo; si no, vuelca.`,
    falls: { fork: ["Horquilla o tubo que cae", "Súbanla entre dos y sujétenla hasta apretar cada tornillo. Un freno de declinación abierto deja caer el tubo; quite la carga antes de aflojar la cuña."], tracker: ["Cámara que cae", "Con la rótula o el freno abiertos, cae. Sujétela antes; la correa alrededor de algo firme."] },
    fingers: { fork: "Fuera de la bisagra de la cuña, y de entre tubo y brazos, cámara y base.", tracker: "Fuera del motor, del freno y de las rótulas." },
  },
};
