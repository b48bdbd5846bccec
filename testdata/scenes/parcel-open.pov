#version 3.7;
// An opened parcel. After=0: as it came, a recorder in loose fill. After=1:
// ready to go back, the recorder in bubble wrap with its note on top.
#declare Rad = 1;
#include "bench.inc"
#include "devices.inc"
#include "parcel.inc"
Cam(<-120, 560, -480>, <0, 62, -6>, 42, <0, 90, -30>, 10)
Studio(600, 0.95, 0.38)
Wood(-3)
object { RBox(<-460, -3, -330>, <460, 0, 380>, 1.4) texture { pigment { srgb <0.18,0.34,0.30> } normal { bumps 0.2 scale 3 } finish { diffuse 0.8 specular 0.08 roughness 0.1 } } }
union {
  OpenCarton(320, 140, 250, 112)
  LooseFill(316, 112, 246, (After ? 46 : 40), 900, 3)
  #if (After)
    // wrapped: a soft block under a skin of bubbles
    union {
      object { RBox(<-66, 0, -94>, <66, 52, 94>, 22) texture { pigment { srgb <0.34,0.36,0.38> } finish { diffuse 0.7 } } scale <0.93, 0.93, 0.95> }
      #local r = 6.2; #local i = 0;
      #while (i < 15) #local j = 0; #while (j < 22)
        #local px = -70+i*10+mod(j,2)*5; #local pz = -96+j*8.8;
        #local ex = max(0, abs(px)-46)/22; #local ez = max(0, abs(pz)-74)/22; #local ed = sqrt(ex*ex+ez*ez);
        #if (ed < 0.98) sphere { 0, r*0.74 scale <1, 0.6, 1> translate <px, 51+0.8*sin(i*2+j)-22*(1-sqrt(1-ed*ed)), pz> } #end
        #local j = j+1; #end #local i = i+1; #end
      object { RBox(<-67, 0, -95>, <67, 52.5, 95>, 22) }
      texture { pigment { bozo turbulence 0.5 color_map { [0 srgb <0.60,0.64,0.67>] [1 srgb <0.76,0.79,0.81>] } scale 26 } normal { wrinkles 0.12 scale 14 } finish { diffuse 0.7 specular 0.9 roughness 0.006 reflection { 0.04, 0.45 falloff 3 } } }
      rotate y*8 translate <4, 62, 4>
    }
    // a folded sheet held by a strip of tape
    union {
      box { <-46, 0, -32>, <46, 0.6, 32> texture { pigment { srgb <0.90,0.90,0.88> } finish { diffuse 0.85 } } }
      union { object { Letters("Repaired and tested", 6.4, 0.1) translate <0, 0, 18> } object { Letters("All items inside: see list", 4.4, 0.1) translate <0, 0, 5> } object { Letters("recorder, 2 microphones, 2 cells, lead", 4.4, 0.1) translate <0, 0, -5> } translate y*0.62 texture { T_Hole } }
      box { <-12, 0.7, 22>, <12, 1.0, 48> texture { T_Tape } }
      rotate <0, -10, 0> translate <6, 119.5, -8>
    }
  #else
    object { Recorder(0) rotate <-3, 14, 4> translate <4, 72, 2> }
  #end
  rotate y*-14
}
