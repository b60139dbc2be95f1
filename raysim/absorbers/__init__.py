"""What a surface made of layers does to sound: impedance, reflection, absorption."""
